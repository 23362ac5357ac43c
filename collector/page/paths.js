// Path quality: round trips, what asymmetry is left over, and how many probes go unanswered.
import { count, counted, duration } from "./format.js";
import { h, hostLink, ink, later, notice, painted, shape, symmetric, to } from "./lib.js";
import { virtualRows } from "./rows.js";

const KIND = { closed: "within", untested: "no-budget", asymmetric: "cannot-be-shown", contradicted: "out", unanswered: "unknown" };
const SAYS = {
  closed: "agrees with the others",
  untested: "untested: in no loop",
  asymmetric: "asymmetric",
  contradicted: "contradicts the others",
  unanswered: "no probe comes back",
};
const LOSSY = 0.02; // what is counted in the sentence above: a mesh bears more than one lost packet in fifty

export function show(main, parameters, context) {
  const state = { host: parameters.host ?? "", only: parameters.only ?? "", document: null };
  const title = h("h1", { class: "verdict" }, "Paths");
  const under = h("p", { class: "under" });
  const tally = h("div", { class: "tally", role: "group", "aria-label": "Show only paths that are" });
  const search = h("input", { type: "search", value: state.host, placeholder: "host", "aria-label": "Paths of hosts whose name contains", oninput: later(() => { state.host = search.value.trim(); remember(); draw(); }) });
  const canvas = h("canvas", { class: "scatter", role: "img" });
  const figure = h("figure", { class: "scatter-box card" }, canvas, h("figcaption", {}, "Each path by its least round trip (across) and what it misses the other paths' offset by (up: the way there is slower; down: the way back). Lost are the shares of the packets that either end sent to the other within the last minute or two."));
  const empty = h("div", {});
  const table = virtualRows({
    label: "Paths, worst first",
    className: "paths",
    columns: [["name", "From"], ["name", "To"], ["state", "State"], ["trip", "Least round trip"], ["left", "Asymmetry left over"], ["loss", "Lost, there / back"]],
    key: (path) => `${path.src} ${path.dst}`,
    make: () => [h("span", {}, shape("unknown"), hostLink("")), h("span", {}, hostLink("")), h("span", {}), h("span", {}), h("span", {}), h("span", {})],
    fill([from, until, says, trip, left, loss], path, row) {
      for (const [cell, host] of [[from, path.src], [until, path.dst]]) {
        cell.lastChild.textContent = host;
        cell.lastChild.href = to("host", { a: host });
      }
      if (row.dataset.kind !== KIND[path.state]) {
        row.dataset.kind = KIND[path.state];
        from.firstChild.replaceWith(shape(KIND[path.state], path.state));
      }
      says.textContent = SAYS[path.state] ?? path.state;
      trip.textContent = path.min_round_trip_ns === null ? "none" : `${duration(path.min_round_trip_ns)}, ${counted(path.probes, "probe")}`;
      left.textContent = path.state === "unanswered" ? "" : residual(path.residual_ns);
      loss.textContent = path.back ? `${share(path)} / ${share(path.back)}` : share(path);
      loss.parentElement.classList.toggle("lossy", lossy(path));
    },
  });
  main.append(h("section", { class: "head" }, title, under), h("section", { class: "choose", "aria-label": "Choose paths" }, tally, search), figure, empty, table.element);

  const remember = () => context.remember({ host: state.host, only: state.only });

  async function update() {
    const document = await context.get("paths", { limit: 20000 });
    if (!document) return;
    const silent = document.unanswered.map((pair) => ({ ...pair, state: "unanswered", min_round_trip_ns: null, residual_ns: null }));
    state.document = { ...document, paths: oncePerPair([...silent, ...document.paths]) };
    draw();
  }

  function draw() {
    const { document } = state;
    if (!document) return;
    const wanted = state.host.toLowerCase();
    const near = document.paths.filter((path) => !wanted || path.src.toLowerCase().includes(wanted) || path.dst.toLowerCase().includes(wanted));
    const chosen = state.only ? near.filter((path) => path.state === state.only) : near;
    const bad = near.filter((path) => ["contradicted", "asymmetric", "unanswered"].includes(path.state)).length;
    const leaky = near.filter(lossy).length;
    title.replaceChildren(shape(bad ? "cannot-be-shown" : "within"), h("span", {}, verdict(near, bad, leaky)));
    title.className = `verdict ${bad ? "cannot-be-shown" : "within"}`;
    under.textContent = `${counted(document.paths.length, "path")} between two hosts; ${losses(document.askers)}`;
    tallies(near);
    empty.replaceChildren(...(chosen.length ? [] : [notice("No path matches", document.total ? "Take back the search or the choice above." : "No host has probed another yet.")]));
    figure.hidden = table.element.hidden = !chosen.length;
    scatter(chosen);
    table.set(chosen);
  }

  function tallies(paths) {
    const order = ["unanswered", "contradicted", "asymmetric", "untested", "closed"];
    const counts = Object.fromEntries(order.map((name) => [name, paths.filter((path) => path.state === name).length]));
    const buttons = order.filter((name) => counts[name] || state.only === name).map((name) => {
      const button = tally.querySelector(`[data-kind="${name}"]`) ?? h("button", { type: "button", class: `tile ${KIND[name]}`, "data-kind": name, onclick: () => { state.only = state.only === name ? "" : name; remember(); draw(); } });
      button.setAttribute("aria-pressed", state.only === name);
      button.replaceChildren(shape(KIND[name]), h("b", {}, count(counts[name])), h("span", {}, name));
      return button;
    });
    if (buttons.length !== tally.children.length || buttons.some((button, n) => button !== tally.children[n])) tally.replaceChildren(...buttons);
  }

  function scatter(paths) {
    const known = paths.filter((path) => path.residual_ns !== null && path.min_round_trip_ns > 0);
    const trips = known.map((path) => path.min_round_trip_ns);
    const [least, most] = trips.reduce(([low, high], trip) => [Math.min(low, trip), Math.max(high, trip)], [Infinity, 1]);
    const worst = known.reduce((size, path) => Math.max(size, Math.abs(path.residual_ns)), 1);
    canvas.setAttribute("aria-label", known.length ? `${counted(known.length, "path")}: least round trips from ${duration(least)} to ${duration(most)}, residuals up to ${duration(worst)}. The table below has each of them.` : "No path has a residual.");
    painted(canvas, (context2d, width, height) => {
      const [left, bottom, top] = [64, height - 26, 10];
      const low = Math.log(least / 1.3);
      const across = Math.log(most * 1.3) - low;
      const x = (trip) => left + ((Math.log(trip) - low) / across) * (width - left - 12);
      const up = symmetric(Math.max(worst / 1000, 100), worst * 1.2);
      const y = (size) => bottom - up(size) * (bottom - top);
      context2d.font = "11px system-ui, sans-serif";
      context2d.fillStyle = ink("muted");
      context2d.strokeStyle = ink("line");
      const rule = (from, until) => {
        context2d.beginPath();
        context2d.moveTo(...from);
        context2d.lineTo(...until);
        context2d.stroke();
      };
      context2d.textAlign = "center";
      for (let power = 10 ** Math.floor(Math.log10(least)); power <= most * 1.3; power *= 10) {
        for (const step of [1, 3]) {
          const at = x(power * step);
          if (at < left || at > width - 20) continue;
          rule([at, top], [at, bottom]);
          context2d.fillText(duration(power * step, 1), at, height - 8);
        }
      }
      context2d.textAlign = "right";
      const used = [];
      for (let power = 10 ** Math.floor(Math.log10(worst)); power >= worst / 1000 && power >= 1; power /= 10) {
        for (const size of [power, -power]) {
          const at = y(size);
          if (Math.abs(at - y(0)) < 14 || used.some((other) => Math.abs(other - at) < 16)) continue;
          used.push(at);
          rule([left, at], [width - 12, at]);
          context2d.fillText(`${size > 0 ? "+" : "−"}${duration(power, 1)}`, left - 6, at + 4);
        }
      }
      context2d.fillText("0", left - 6, y(0) + 4);
      context2d.strokeStyle = ink("sun");
      context2d.lineWidth = 2;
      rule([left, y(0)], [width - 12, y(0)]);
      const inks = { out: ink("out"), "cannot-be-shown": ink("open"), within: ink("within"), "no-budget": ink("within") };
      for (const path of [...known].reverse()) point(context2d, KIND[path.state], inks[KIND[path.state]], x(path.min_round_trip_ns), y(path.residual_ns));
    });
  }

  window.addEventListener("resize", draw);
  return { update, repaint: draw, leave() { window.removeEventListener("resize", draw); table.leave(); } };
}

function point(context, kind, colour, x, y) {
  const r = kind === "within" || kind === "no-budget" ? 2.2 : 5;
  context.fillStyle = colour;
  context.globalAlpha = r > 3 ? 1 : 0.65;
  context.beginPath();
  if (kind === "out") {
    context.moveTo(x, y - r);
    context.lineTo(x + r, y + r);
    context.lineTo(x - r, y + r);
  } else if (kind === "cannot-be-shown") {
    context.moveTo(x, y - r);
    context.lineTo(x + r, y);
    context.lineTo(x, y + r);
    context.lineTo(x - r, y);
  } else context.arc(x, y, r, 0, 7);
  context.fill();
  context.globalAlpha = 1;
}

/** Where both ends ask each other, the two directions tell the same path: the first stands for both, with its losses. */
function oncePerPair(paths) {
  const seen = new Map();
  for (const path of paths) {
    const name = [path.src, path.dst].sort().join(" ");
    if (seen.has(name)) seen.get(name).back = { sent: path.sent, lost: path.lost };
    else seen.set(name, { ...path, back: null });
  }
  return [...seen.values()];
}

function verdict(paths, bad, leaky) {
  if (!paths.length) return "No path to show.";
  const silent = paths.filter((path) => path.state === "unanswered").length;
  const quarrel = bad - silent;
  return [
    silent ? `${counted(silent, "path")} of ${count(paths.length)} ${silent === 1 ? "gives" : "give"} no answer at all.` : "",
    quarrel ? `${counted(quarrel, "path")} of ${count(paths.length)} ${quarrel === 1 ? "does" : "do"} not agree with what all others imply.` : `No path among ${count(paths.length)} contradicts the others.`,
    leaky ? `${counted(leaky, "path")} ${leaky === 1 ? "loses" : "lose"} more than ${100 * LOSSY} % of the packets.` : "",
  ].filter(Boolean).join(" ");
}

/** Whether either direction of a path that answers loses much. */
function lossy(path) {
  const much = (one) => one !== null && one.sent > 0 && one.lost / one.sent > LOSSY;
  return path.state !== "unanswered" && (much(path) || much(path.back));
}

function residual(value) {
  if (value === null) return "not known";
  if (Math.abs(value) < 1) return "none";
  return `${value > 0 ? "there" : "back"} slower by ${duration(2 * Math.abs(value))}`;
}

function share(asker) {
  if (asker.sent === null) return "not told";
  return asker.sent ? `${Number(((100 * asker.lost) / asker.sent).toPrecision(2))} %` : "none sent";
}

function losses(askers) {
  const sent = askers.reduce((sum, asker) => sum + asker.sent, 0);
  const gone = askers.reduce((sum, asker) => sum + asker.lost, 0);
  return sent ? `${share({ sent, lost: gone })} of ${count(sent)} probes went unanswered` : "agents have not told how many probes went unanswered";
}
