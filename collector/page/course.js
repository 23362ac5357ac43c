// One host, or any two hosts against each other, over time.
import { drift, duration, headroom, instant, rfc3339 } from "./format.js";
import { h, hostLink, later, notice, shape, standing, to, WORDS } from "./lib.js";
import { courseChart } from "./chart.js";

const SPANS = [["15m", "15 min"], ["1h", "1 h"], ["6h", "6 h"], ["1d", "1 day"], ["7d", "7 days"], ["30d", "30 days"]];

export function show(main, parameters, context, name) {
  const two = name === "pair";
  const state = { a: parameters.a ?? "", b: two ? parameters.b ?? "" : "", since: parameters.since ?? "-1h", until: parameters.until ?? "", close: parameters.close ?? "" };
  const title = h("h1", {}, two ? "Two hosts" : state.a || "Host");
  const sentence = h("p", { class: "sentence" });
  const facts = h("dl", { class: "facts" });
  const chart = courseChart({ label: two ? "Difference of the two clocks over time" : "The host's time error over time", onZoom: (from, until) => move(rfc3339(from), rfc3339(until)) });
  const chartBox = h("section", { "aria-label": "Course", class: "card" }, ranges(), chart.element);
  const trouble = h("div", {});
  const findingsBox = h("section", { "aria-label": "Findings", class: "card" });
  main.append(h("section", { class: "head" }, title, two ? pairForm() : null, sentence), facts, trouble, chartBox, findingsBox);

  function ranges() {
    const buttons = SPANS.map(([value, text]) => h("button", { type: "button", "data-span": value, onclick: () => move(`-${value}`, "") }, text));
    const from = h("input", { name: "since", "aria-label": "From (UTC, or an age such as -2h)", value: state.since, size: 24, spellcheck: false });
    const until = h("input", { name: "until", "aria-label": "Until (UTC; empty for now)", value: state.until, size: 24, placeholder: "now", spellcheck: false });
    const closeUp = h("button", { type: "button", class: "close-up", onclick: () => { state.close = state.close ? "" : "1"; remember(); update(); } }, "Close-up of the estimate");
    const form = h("form", { class: "range", onsubmit: (event) => { event.preventDefault(); move(from.value.trim(), until.value.trim()); } },
      h("div", { class: "spans", role: "group", "aria-label": "Time shown" }, buttons), h("label", {}, "from ", from), h("label", {}, "until ", until), h("button", {}, "Show"), closeUp);
    form.mark = () => {
      for (const button of buttons) button.setAttribute("aria-pressed", state.since === `-${button.dataset.span}` && !state.until);
      closeUp.setAttribute("aria-pressed", Boolean(state.close));
      from.value = state.since;
      until.value = state.until;
    };
    return form;
  }

  function pairForm() {
    const names = h("datalist", { id: "all-hosts" });
    const field = (key, label) => h("label", {}, label, h("input", { name: key, value: state[key], list: "all-hosts", spellcheck: false, autocomplete: "off", onchange: later((event) => choose(key, event.target.value.trim()), 0) }));
    const swap = h("button", { type: "button", onclick: () => {
      [state.a, state.b] = [state.b, state.a];
      form.elements.a.value = state.a;
      form.elements.b.value = state.b;
      remember();
      update();
    } }, "Swap");
    const form = h("form", { class: "pair-form", onsubmit: (event) => { event.preventDefault(); state.a = form.elements.a.value.trim(); state.b = form.elements.b.value.trim(); remember(); update(); } },
      field("a", "Clock of "), field("b", "against "), swap, h("button", {}, "Compare"), names);
    context.get("fleet", { limit: 20000 }).then((fleet) => {
      if (!fleet) return;
      names.append(...fleet.hosts.map((host) => host.host).sort().map((host) => h("option", { value: host })));
    });
    return form;
  }

  function choose(key, value) {
    if (state[key] === value) return;
    state[key] = value;
    remember();
    update();
  }

  function move(since, until) {
    state.since = since || "-1h";
    state.until = until;
    remember();
    update();
  }

  function remember() {
    context.remember({ a: state.a, b: state.b, since: state.since === "-1h" ? "" : state.since, until: state.until, close: state.close });
  }

  async function update() {
    chartBox.querySelector("form").mark();
    if (!state.a || (two && !state.b)) {
      chartBox.hidden = findingsBox.hidden = true;
      sentence.textContent = "";
      trouble.replaceChildren(notice(two ? "Choose two hosts" : "Choose a host", two ? "Their difference is known better than the sum of what is known of each." : "Open one from the fleet."));
      return;
    }
    title.textContent = two ? `${state.a} against ${state.b}` : state.a;
    document.title = `${title.textContent} – noonmark`;
    const at = state.until;
    const asked = JSON.stringify(state);
    const [now, fleet] = await Promise.all([
      context.get("offset", { a: state.a, b: state.b, at }),
      two ? null : context.get("fleet", { limit: 20, matching: state.a, at: "" }),
    ]);
    if (asked !== JSON.stringify(state)) return;
    if (now) {
      const host = fleet?.hosts.find((one) => one.host === state.a);
      const kind = now.known ? (host && !at ? standing(host) : "no-budget") : "unknown";
      sentence.replaceChildren(shape(kind, WORDS[kind]), h("span", {}, now.sentence), now.known && now.reason ? h("em", {}, ` ${now.reason}.`) : "");
      facts.replaceChildren(...(two ? pairFacts(now) : hostFacts(now, host)).flatMap(([term, value]) => [h("div", {}, h("dt", {}, term), h("dd", {}, value))]));
    }
    await drawCourse(fleet?.hosts.find((one) => one.host === state.a));
  }

  async function drawCourse(host) {
    trouble.replaceChildren();
    const window_ = { since: state.since, until: state.until };
    const wide = Math.min(1200, Math.max(200, Math.round((main.clientWidth || 800) / 1.5)));
    const [course, ofA, ofB] = await Promise.all([
      context.get("course", { a: state.a, b: state.b, ...window_, points: wide }, trouble),
      context.get("findings", { ...window_, host: state.a, limit: 500 }, trouble),
      two && state.b !== state.a ? context.get("findings", { ...window_, host: state.b, limit: 500 }, trouble) : null,
    ]);
    const seen = new Map([...(ofA?.findings ?? []), ...(ofB?.findings ?? [])].map((one) => [`${one.kind} ${one.at_ns} ${one.host ?? one.path}`, one]));
    const findings = [...seen.values()].sort((one, other) => one.at_ns - other.at_ns);
    findingsBox.hidden = false;
    findingsBox.replaceChildren(h("h2", {}, "Findings in this time"), findings.length ? list(findings) : h("p", { class: "quiet" }, "None."));
    if (!course) {
      chartBox.hidden = true;
      return;
    }
    chartBox.hidden = false;
    if (!course.points.at_ns.length) {
      chart.element.hidden = true;
      trouble.replaceChildren(notice("Nothing to draw", `${course.reason[0]?.toUpperCase() ?? ""}${course.reason.slice(1)}.`));
      return;
    }
    chart.element.hidden = false;
    chart.draw(course, { tolerance: host?.budget?.tolerance_ns ?? null, findings, closeUp: Boolean(state.close) });
  }

  return { update, repaint: () => chart.redraw(), leave: () => chart.leave() };
}

function hostFacts(now, host) {
  const rows = [
    ["Drift", now.known ? gains(now.drift_ppb, host?.drift_uncertainty_ppb ?? null) : "not known"],
  ];
  if (host) {
    rows.push(["State", host.state === "no-route" ? "no route to the reference" : host.state]);
    if (host.budget) {
      rows.push([`Budget (${duration(host.budget.tolerance_ns)})`, `${WORDS[host.budget.fitness]}; ${headroom(host.budget)}`]);
      rows.push(["Leaves it", leaves(host.budget)]);
    }
    if (host.claimed_error_ns !== null && host.claimed_error_ns !== undefined) rows.push(["Its kernel claims", claim(host)]);
    if (host.reference_state) rows.push(["Its own source", host.reference_state]);
    rows.push(["Zone, role", [host.zone, host.role].filter(Boolean).join(", ") || "not told"]);
    rows.push(["More", h("span", {}, h("a", { href: to("pair", { a: host.host }) }, "against another host"), ", ", h("a", { href: to("paths", { host: host.host }) }, "its paths"))]);
  }
  return rows;
}

function pairFacts(now) {
  return [
    ["Drift apart", now.known ? gains(now.drift_ppb) : "not known"],
    ["Each alone", h("span", {}, hostLink(now.a), ", ", hostLink(now.b))],
  ];
}

function claim(host) {
  const most = `at most ${duration(host.claimed_error_ns, 2)} off`;
  if (host.offset_ns === null) return most;
  const least = Math.abs(host.offset_ns) - 2 * host.uncertainty_ns;
  return least > host.claimed_error_ns ? `${most}, but it is off by ${duration(Math.abs(host.offset_ns), 2)}` : most;
}

const gains = (ppb, uncertainty) => (ppb === 0 ? "none" : `${ppb > 0 ? "gains" : "loses"} ${drift(Math.abs(ppb), uncertainty).replace("+", "")}`);

function leaves(budget) {
  const { forecast } = budget;
  if (!forecast) return "not known";
  if (budget.fitness === "out") return "it is out now";
  const when = (seconds) => (seconds === null ? "never" : seconds === 0 ? "now" : `in ${duration(seconds * 1e9, 2)}`);
  if (forecast.earliest_s === null) return "not at its present drift";
  return `${when(forecast.earliest_s)} at the earliest, ${when(forecast.latest_s)} at the latest, at its present drift`;
}

/** Findings as a list in words, each with the hosts it speaks of. */
export function list(findings) {
  return h("ul", { class: "findings" }, findings.map((finding) => h("li", {},
    h("time", { datetime: finding.at }, instant(finding.at_ns)), " ",
    h("b", { class: "kind" }, finding.kind.replaceAll("-", " ")), " ",
    h("span", {}, linked(finding.text, [finding.host, finding.src, finding.dst].filter(Boolean))), lasted(finding))));
}

/** The text with each of the hosts as a link where it is first named; those it does not name stand in front. */
function linked(text, hosts) {
  let parts = [text];
  const unnamed = [];
  for (const host of [...hosts].sort((a, b) => b.length - a.length)) {
    const place = parts.findIndex((part) => typeof part === "string" && part.includes(host));
    if (place < 0) {
      unnamed.push(hostLink(host), " ");
      continue;
    }
    const [before, ...after] = parts[place].split(host);
    parts = [...parts.slice(0, place), before, hostLink(host), after.join(host), ...parts.slice(place + 1)];
  }
  return [...unnamed, ...parts];
}

function lasted(finding) {
  const seconds = finding.evidence?.lasted_s;
  return seconds ? h("small", {}, ` (lasted ${duration(seconds * 1e9, 2)})`) : null;
}

