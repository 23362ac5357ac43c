// The fleet at a glance: the verdict, how many hosts stand where, all of them on one scale, and each one worst first.
import { age, counted, count, duration, error, headroom, instant, limits } from "./format.js";
import { decades, h, hostLink, ink, later, notice, painted, shape, spread, standing, steady, symmetric, to, WORDS } from "./lib.js";
import { virtualRows } from "./rows.js";

const KINDS = ["out", "cannot-be-shown", "unknown", "within", "no-budget"];
const STANDINGS = { good: "within", doubtful: "cannot-be-shown", lost: "out", unknown: "unknown", none: "unknown" };
const INKS = { out: "out", "cannot-be-shown": "open", unknown: "unknown", within: "within", "no-budget": "within" };

export function show(main, parameters, context) {
  const state = { matching: parameters.matching ?? "", only: parameters.only ?? "", at: parameters.at ?? "", fleet: null };
  const verdict = h("h1", { class: "verdict" }, "Asking the collector …");
  const reference = h("p", { class: "reference-standing" });
  const finding = h("p", { class: "newest-finding" });
  const under = h("p", { class: "under" });
  const tally = h("div", { class: "tally", role: "group", "aria-label": "Show only hosts that are" });
  const search = h("input", {
    type: "search", value: state.matching, placeholder: "name, zone or role", "aria-label": "Hosts whose name, zone or role contains",
    oninput: later(() => { state.matching = search.value.trim(); remember(); draw(); }),
  });
  const shownCount = h("p", { class: "shown", role: "status" });
  const strip = h("canvas", { class: "strip", role: "img" });
  const noon = h("span", { class: "mark-word" }, "reference");
  const stripBox = h("figure", { class: "strip-box" }, strip,
    h("figcaption", {}, h("span", {}, "← behind"), noon, h("span", {}, "ahead →")));
  const empty = h("div", {});
  const axis = h("div", { class: "axis" });
  const table = virtualRows({
    label: "Hosts, worst first",
    className: "hosts",
    columns: [["name", "Host"], ["where", "Zone, role"], ["lane-cell", axis], ["clock", "Clock"], ["certain", "Certain"], ["budget", "Budget"]],
    key: (host) => host.host,
    make: makeRow,
    fill: fillRow,
  });
  main.append(
    h("section", { class: "head", "aria-label": "Verdict" }, verdict, reference, finding, under),
    h("section", { class: "choose", "aria-label": "Choose hosts" }, tally, search, shownCount),
    stripBox, empty, table.element,
  );
  let scale = null;
  let place = symmetric(100, 1e6);

  function remember() {
    context.remember({ matching: state.matching, only: state.only, at: state.at });
  }

  async function update() {
    const fleet = await context.get("fleet", { at: state.at, limit: 20000 });
    if (!fleet) return;
    state.fleet = fleet;
    draw();
  }

  function draw() {
    const { fleet } = state;
    if (!fleet) return;
    const wanted = state.matching.toLowerCase();
    const matching = fleet.hosts.filter((host) => !wanted || [host.host, host.zone, host.role].some((text) => text.toLowerCase().includes(wanted)));
    const chosen = state.only ? matching.filter((host) => standing(host) === state.only) : matching;
    const kind = fleet.verdict.state;
    verdict.replaceChildren(shape(kind === "empty" ? "unknown" : kind), h("span", {}, fleet.verdict.text));
    verdict.className = `verdict ${kind}`;
    const good = fleet.reference_standing;
    reference.replaceChildren(...(good ? [shape(STANDINGS[good.state]), h("a", { href: to("references") }, good.text)] : []));
    reference.className = `reference-standing ${good?.state ?? ""}`;
    finding.replaceChildren(...newest(fleet.findings));
    noon.textContent = fleet.references.length ? "reference" : "fleet's mean";
    under.textContent = underline(fleet, state.at);
    tallies(fleet, matching);
    shownCount.textContent = chosen.length === fleet.total ? `All ${counted(fleet.total, "host")}, worst first` : `${count(chosen.length)} of ${counted(fleet.total, "host")}, worst first`;
    const values = fleet.hosts.flatMap((host) => host.offset_ns === null ? [] : [host.offset_ns, host.offset_ns - 2 * host.uncertainty_ns, host.offset_ns + 2 * host.uncertainty_ns, host.lower_ns ?? 0, host.upper_ns ?? 0]);
    const tolerances = fleet.budgets.map((budget) => budget.tolerance_ns).filter((size) => size <= 30 * Math.max(...values.map(Math.abs), 1));
    scale = steady(scale, spread([...values, ...tolerances]));
    place = symmetric(scale.threshold, scale.most);
    empty.replaceChildren(...(chosen.length ? [] : [fleet.total ? notice("No host matches", "Take back the search or the choice above to see all of them.") : notice("No host has been measured yet", "Start agents that report to this collector; the first estimate comes a few seconds after their first probes.")]));
    stripBox.hidden = table.element.hidden = !chosen.length;
    drawAxis();
    drawStrip(chosen);
    table.set(chosen);
  }

  function tallies(fleet, matching) {
    const counts = Object.fromEntries(KINDS.map((kind) => [kind, 0]));
    for (const host of matching) counts[standing(host)]++;
    const buttons = KINDS.filter((kind) => counts[kind] || kind === state.only || (fleet.fitness && ["out", "cannot-be-shown", "within"].includes(kind))).map((kind) => {
      let button = tally.querySelector(`[data-kind="${kind}"]`);
      if (!button) {
        button = h("button", { type: "button", class: `tile ${kind}`, "data-kind": kind, onclick: () => { state.only = state.only === kind ? "" : kind; remember(); draw(); } });
      }
      button.setAttribute("aria-pressed", state.only === kind);
      const text = kind === "no-budget" && !fleet.fitness ? "measured" : WORDS[kind];
      button.replaceChildren(shape(kind), h("b", {}, count(counts[kind])), h("span", {}, text));
      return button;
    });
    if (buttons.length !== tally.children.length || buttons.some((button, n) => button !== tally.children[n])) tally.replaceChildren(...buttons);
  }

  function drawAxis() {
    const width = axis.getBoundingClientRect().width || 300;
    axis.replaceChildren(...decades(scale.threshold, scale.most, width).map((value) => {
      const label = h("span", { class: value === 0 ? "zero" : "" }, value === 0 ? "0" : `${value > 0 ? "+" : "−"}${duration(Math.abs(value), 1)}`);
      label.style.left = `${100 * place(value)}%`;
      return label;
    }));
    axis.setAttribute("role", "presentation");
  }

  function drawStrip(hosts) {
    const known = hosts.filter((host) => host.offset_ns !== null);
    const ahead = known.filter((host) => host.offset_ns > 0).length;
    strip.setAttribute("aria-label", `All hosts on one scale: ${count(ahead)} ahead of the reference, ${count(known.length - ahead)} behind or level, to ${duration(scale.most, 2)} either way. The table below has each of them.`);
    painted(strip, (context2d, width, height) => {
      const floor = height - 18;
      context2d.font = "11px system-ui, sans-serif";
      context2d.textAlign = "center";
      context2d.fillStyle = ink("muted");
      context2d.strokeStyle = ink("line");
      for (const value of decades(scale.threshold, scale.most, width)) {
        const x = Math.round(place(value) * width) + 0.5;
        context2d.globalAlpha = 0.7;
        context2d.beginPath();
        context2d.moveTo(x, 4);
        context2d.lineTo(x, floor);
        context2d.stroke();
        context2d.globalAlpha = 1;
        context2d.fillText(value === 0 ? "0" : `${value > 0 ? "+" : "−"}${duration(Math.abs(value), 1)}`, x, height - 5);
      }
      const columns = new Map();
      const inks = Object.fromEntries(KINDS.map((kind) => [kind, ink(INKS[kind])]));
      const order = [...known].sort((a, b) => KINDS.indexOf(standing(b)) - KINDS.indexOf(standing(a)));
      // The largest dots of which no column grows out of the picture.
      const step = [11, 9, 7, 5.5, 4.5, 3.5].find((one) => Math.max(1, ...tallest(order, one, width)) * one <= floor - 10) ?? 3;
      const size = step - 1;
      const most = Math.max(1, ...tallest(order, step, width));
      const rise = Math.min(step, (floor - 12) / most);
      for (const host of order) {
        const kind = standing(host);
        const column = Math.round((place(host.offset_ns) * width) / step);
        const level = columns.get(column) ?? 0;
        columns.set(column, level + 1);
        dot(context2d, kind, inks[kind], column * step, floor - 4 - level * rise, size / 2 + (kind === "out" ? 1.5 : 0));
      }
      context2d.strokeStyle = ink("sun");
      context2d.lineWidth = 2;
      context2d.beginPath();
      context2d.moveTo(place(0) * width, 2);
      context2d.lineTo(place(0) * width, floor);
      context2d.stroke();
    });
  }

  function tallest(hosts, step, width) {
    const columns = new Map();
    for (const host of hosts) {
      const column = Math.round((place(host.offset_ns) * width) / step);
      columns.set(column, (columns.get(column) ?? 0) + 1);
    }
    return columns.values();
  }

  function makeRow() {
    const parts = ["band", "limits", "expanded", "mark"].map((name) => h("i", { class: name }));
    const lane = h("div", { class: "lane", "aria-hidden": "true" }, h("i", { class: "noon" }), parts);
    return [h("span", {}, shape("unknown"), hostLink("")), h("span", {}), lane, h("span", {}), h("span", {}), h("span", {})];
  }

  function fillRow([name, where, lane, clock, certain, budget], host, row) {
    const kind = standing(host);
    name.lastChild.textContent = host.host;
    name.lastChild.title = host.host;
    name.lastChild.href = to("host", { a: host.host, until: state.at });
    if (row.dataset.kind !== kind) {
      row.dataset.kind = kind;
      name.firstChild.replaceWith(shape(kind, WORDS[kind]));
    }
    where.textContent = [host.zone, host.role].filter(Boolean).join(", ");
    clock.textContent = host.offset_ns === null ? why(host) : error(host.offset_ns, host.uncertainty_ns) + (host.state === "stale" ? `, silent for ${duration(host.heard_ns ?? 0, 2)}` : "");
    certain.textContent = host.offset_ns === null ? "" : limits(host.lower_ns, host.upper_ns);
    budget.textContent = host.budget ? kept(host.budget, state.fleet.at_ns) : "none";
    budget.title = host.budget ? `${host.budget.name}, ${duration(host.budget.tolerance_ns)} ahead or behind: ${headroom(host.budget)}${beginning(host.budget)}` : "";
    fillLane(lane, host);
  }

  function fillLane(lane, host) {
    const [, band, limit, expanded, mark] = lane.children;
    const known = host.offset_ns !== null;
    const put = (part, from, until, seen = true) => {
      part.hidden = !seen;
      if (!seen) return;
      part.style.left = `${100 * from}%`;
      part.style.width = `${100 * (until - from)}%`;
    };
    const tolerance = host.budget?.tolerance_ns ?? 0;
    put(band, place(-tolerance), place(tolerance), tolerance > 0);
    put(limit, host.lower_ns === null ? 0 : place(host.lower_ns), host.upper_ns === null ? 1 : place(host.upper_ns), known);
    limit.className = `limits${host.lower_ns === null ? " open-left" : ""}${host.upper_ns === null ? " open-right" : ""}`;
    put(expanded, place(host.offset_ns - 2 * host.uncertainty_ns), place(host.offset_ns + 2 * host.uncertainty_ns), known);
    put(mark, place(host.offset_ns ?? 0), place(host.offset_ns ?? 0), known);
  }

  function repaint() {
    if (state.fleet) draw();
  }
  window.addEventListener("resize", repaint);
  return {
    update,
    repaint,
    leave() {
      window.removeEventListener("resize", repaint);
      table.leave();
    },
  };
}

/** The newest finding about a host's clock in one line, and how many more there are; what is found of paths stands elsewhere. */
function newest(findings) {
  const clocks = findings.filter((one) => one.host && one.kind !== "no-route");
  if (!clocks.length) return [];
  const one = clocks.reduce((a, b) => (b.at_ns > a.at_ns ? b : a));
  const more = findings.length > 1 ? ` (and ${counted(findings.length - 1, "more finding")})` : "";
  return [h("span", { class: "diamond", "aria-hidden": "true" }, "◆"), h("span", {}, h("time", { datetime: one.at }, instant(one.at_ns)), " ", h("a", { href: to("findings") }, `${one.text}${more}`))];
}

const SOON = 86400;

/** A budget in few words: since when it is exceeded, or how much of it is left and for how long at this drift. */
function kept(budget, now) {
  const words = headroom(budget);
  if (budget.fitness === "out" && budget.since_ns !== null) {
    const long = now - budget.since_ns;
    return long > 0 ? `${words.replace(" the budget", "")} for ${budget.since_known ? "" : "≥ "}${age(long)}` : words;
  }
  const left = budget.forecast?.expected_s ?? null;
  if (budget.fitness === "within" && left !== null && left < SOON) return `${words.replace(" of the budget", "")}, for ${age(left * 1e9)}`;
  return words;
}

function beginning(budget) {
  if (budget.since_ns === null) return "";
  return `; ${WORDS[budget.fitness]} since ${instant(budget.since_ns)}${budget.since_known ? "" : " or before"}`;
}

function why(host) {
  return { "no-route": "not known: no chain of probes leads to the reference", unknown: "not known: never measured", stale: "not known: silent for too long" }[host.state] ?? "not known";
}

function underline(fleet, past) {
  const against = fleet.references.length ? `against ${fleet.references.join(", ")}` : "against the fleet's mean";
  const budgets = fleet.budgets.map((budget) => (budget.name === duration(budget.tolerance_ns).replace(" ", "") ? duration(budget.tolerance_ns) : `${budget.name} ${duration(budget.tolerance_ns)}`));
  const silent = (fleet.states["no-route"] ?? 0) + (fleet.states.stale ?? 0) + (fleet.states.unknown ?? 0);
  return [
    past ? `As it was at ${instant(fleet.at_ns)}` : "",
    fleet.freshness.state === "old" ? `Nothing has been measured since ${instant(fleet.at_ns)}` : "",
    `${counted(fleet.total, "host")} ${against}`,
    budgets.length ? `budget ${budgets.join(", ")}` : "",
    silent ? `${counted(silent, "host")} silent or without a route` : "",
  ].filter(Boolean).join(" · ");
}

/** A host on the strip: disc, triangle or diamond, as everywhere. */
function dot(context, kind, colour, x, y, r) {
  context.fillStyle = colour;
  context.beginPath();
  if (kind === "out") {
    context.moveTo(x, y - r);
    context.lineTo(x + r, y + r);
    context.lineTo(x - r, y + r);
  } else if (kind === "cannot-be-shown") {
    context.moveTo(x, y - r - 0.5);
    context.lineTo(x + r + 0.5, y);
    context.lineTo(x, y + r + 0.5);
    context.lineTo(x - r - 0.5, y);
  } else context.arc(x, y, r, 0, 7);
  context.closePath();
  context.fill();
}
