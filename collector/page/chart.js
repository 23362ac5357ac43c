// A course over time: the estimate, its expanded uncertainty, the certain limits, the budget and the findings.
// The picture is drawn by uPlot on a canvas; beside it stand a line in words for the instant under the cursor (arrow
// keys move it) and the same numbers as a table.
import { duration, error, fittingUnit, instant, limits } from "./format.js";
import { h, ink } from "./lib.js";

const ROWS = 200;

// uPlot is a plain script that leaves one global name; only the views with a course wait for it.
await new Promise((loaded, failed) => document.head.append(h("script", { src: "uplot.js", onload: loaded, onerror: () => failed(new Error("uplot.js did not come")) })));

export function courseChart({ label, onZoom }) {
  const holder = h("div", { class: "plot", tabindex: 0, role: "group", "aria-label": `${label}. Arrow keys move along the course, Home and End go to its ends.` });
  const readout = h("p", { class: "readout", "aria-live": "polite" }, "Point at the course, or use the arrow keys, to read it.");
  const note = h("p", { class: "note" });
  const tableBody = h("tbody", {});
  const numbers = h("details", { class: "numbers" }, h("summary", {}, "The same in numbers"),
    h("div", { class: "scroll", tabindex: 0, role: "region", "aria-label": "Numbers of the course" },
      h("table", {}, h("thead", {}, h("tr", {}, ["Time", "Clock", "Certain", "Ticks"].map((text) => h("th", { scope: "col" }, text)))), tableBody)));
  numbers.addEventListener("toggle", () => numbers.open && fillTable());
  const element = h("div", { class: "chart" }, holder, readout, note, numbers);
  let plot = null;
  let given = null;
  let at = null;

  /** Show a course document with budgets (ns) and findings; `closeUp` leaves the certain limits out of the scale. */
  function draw(course, { tolerance = null, findings = [], closeUp = false } = {}) {
    given = { course, tolerance, findings, closeUp };
    plot?.destroy();
    plot = null;
    const { points } = course;
    const rows = points.at_ns.length;
    if (!rows) return;
    const unit = chosenUnit(points, closeUp);
    const scaled = (values) => values.map((value) => (value === null ? null : value / unit.size));
    const plus = (values, factor) => values.map((value, n) => (value === null ? null : (value + factor * points.uncertainty_ns[n]) / unit.size));
    const data = [
      points.at_ns.map((value) => value / 1e9),
      scaled(points.upper_ns), scaled(points.lower_ns),
      plus(points.highest_ns, 2), plus(points.lowest_ns, -2),
      scaled(points.highest_ns), scaled(points.lowest_ns), scaled(points.offset_ns),
    ];
    const [low, high] = range(data, closeUp);
    const budget = tolerance === null ? null : tolerance / unit.size;
    const inside = budget !== null && budget >= low - (high - low) && budget <= high + (high - low) && -budget >= low - 2 * (high - low);
    const bottom = inside ? Math.min(low, -budget * 1.08) : low;
    const top = inside ? Math.max(high, budget * 1.08) : high;
    note.textContent = [
      tolerance === null ? "" : inside ? "" : `The budget of ${duration(tolerance)} lies outside the picture.`,
      closeUp ? "The certain limits may lie outside the picture." : "",
      course.thinned ? `Each point stands for several of the ${course.ticks.toLocaleString("en-GB")} ticks, with their lowest and highest.` : "",
      points.unknown.some((value) => value > 0) ? "Where the course is broken nothing is known." : "",
    ].filter(Boolean).join(" ");
    const colour = (name, alpha = "") => ink(name) + alpha;
    const line = (name, width, dash) => ({ stroke: colour(name), width, dash, points: { show: false } });
    const few = rows < 40;
    // Where little of the time asked for was kept, the picture begins where the course does.
    const lived = course.until_ns - points.at_ns[0];
    const start = lived < 0.4 * (course.until_ns - course.since_ns) ? points.at_ns[0] - 0.08 * Math.max(lived, 1e10) : course.since_ns;
    if (start > course.since_ns) note.textContent = `Nothing was kept before ${instant(points.at_ns[0])}. ${note.textContent}`;
    plot = new window.uPlot({
      width: holder.clientWidth || 800,
      height: Math.max(240, Math.min(360, Math.round((holder.clientWidth || 800) * 0.4))),
      tzDate: (ts) => window.uPlot.tzDate(new Date(ts * 1e3), "Etc/UTC"),
      legend: { show: false },
      cursor: { y: false, drag: { x: true, y: false, setScale: false }, points: { size: 8 } },
      scales: {
        x: { range: [start / 1e9, course.until_ns / 1e9] },
        y: { range: [bottom, top] },
      },
      axes: [
        { stroke: colour("muted"), grid: { stroke: colour("line"), width: 1 }, ticks: { stroke: colour("line") }, values: timeLabels, font: "12px system-ui, sans-serif", space: 72 },
        { stroke: colour("muted"), grid: { stroke: colour("line"), width: 1 }, ticks: { stroke: colour("line") }, size: 74, font: "12px system-ui, sans-serif", values: (_, splits) => splits.map((value) => (value === 0 ? "0" : `${value > 0 ? "+" : "−"}${trimmed(Math.abs(value))} ${unit.name}`)) },
      ],
      series: [
        {},
        line("limit", 1, [5, 3]), line("limit", 1, [5, 3]),
        line("within", 0), line("within", 0),
        line("within", 0), line("within", 0),
        { ...line("within", 2), points: { show: few, size: 6, fill: colour("surface"), stroke: colour("within"), width: 2 } },
      ],
      bands: [
        { series: [1, 2], fill: colour("limit", "1f") },
        { series: [3, 4], fill: colour("within", "2e") },
        { series: [5, 6], fill: colour("within", "66") },
      ],
      hooks: {
        drawAxes: [(u) => drawMarks(u, budget === null || !inside ? null : budget, findings)],
        setCursor: [(u) => { if (u.cursor.idx !== null && u.cursor.idx !== undefined) tell(u.cursor.idx); }],
        setSelect: [(u) => {
          if (u.select.width < 6) return;
          const from = u.posToVal(u.select.left, "x");
          const until = u.posToVal(u.select.left + u.select.width, "x");
          u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          onZoom?.(Math.floor(from * 1e9), Math.ceil(until * 1e9));
        }],
      },
    }, data, holder);
    plot.root.setAttribute("aria-hidden", "true");
    if (numbers.open) fillTable();
  }

  function tell(n) {
    at = n;
    readout.textContent = words(given.course, n);
  }

  function fillTable() {
    const { course } = given ?? {};
    if (!course) return;
    const rows = course.points.at_ns.length;
    const step = Math.max(1, Math.ceil(rows / ROWS));
    const list = [];
    for (let n = rows - 1; n >= 0; n -= step) list.push(n);
    tableBody.replaceChildren(...list.map((n) => h("tr", {}, cells(course, n).map((text, place) => h(place ? "td" : "th", place ? {} : { scope: "row" }, text)))));
  }

  holder.addEventListener("keydown", (event) => {
    if (!plot) return;
    const rows = given.course.points.at_ns.length;
    const here = at ?? rows - 1;
    const next = { ArrowLeft: here - 1, ArrowRight: here + 1, Home: 0, End: rows - 1, PageUp: here - 10, PageDown: here + 10 }[event.key];
    if (next === undefined) return;
    event.preventDefault();
    const row = Math.max(0, Math.min(rows - 1, next));
    plot.setCursor({ left: plot.valToPos(given.course.points.at_ns[row] / 1e9, "x"), top: 20 });
    tell(row);
  });
  const redraw = () => given && draw(given.course, given);
  const observer = new ResizeObserver(() => {
    if (plot && Math.abs(plot.width - holder.clientWidth) > 2) redraw();
  });
  observer.observe(holder);
  return {
    element, draw, redraw,
    leave() {
      observer.disconnect();
      plot?.destroy();
    },
  };
}

function chosenUnit(points, closeUp) {
  const known = (values) => values.filter((value) => value !== null).map(Math.abs);
  const sizes = [...known(points.highest_ns), ...known(points.lowest_ns), ...(closeUp ? [] : [...known(points.lower_ns), ...known(points.upper_ns)])];
  return fittingUnit(Math.max(...sizes, 1) / 1.5);
}

function range(data, closeUp) {
  const used = closeUp ? data.slice(3) : data.slice(1);
  let [low, high] = closeUp ? [Infinity, -Infinity] : [0, 0];
  for (const column of used) {
    for (const value of column) {
      if (value === null) continue;
      low = Math.min(low, value);
      high = Math.max(high, value);
    }
  }
  if (low > high) [low, high] = [0, 0];
  const room = (high - low || 1) * 0.08;
  return [low - room, high + room];
}

const trimmed = (value) => String(Number(value.toPrecision(6)));

function timeLabels(_, splits, __, ___, step) {
  let day = "";
  return splits.map((value) => {
    const text = new Date(value * 1e3).toISOString();
    const date = text.slice(5, 10);
    const clock = step >= 86400 ? "" : step >= 60 ? text.slice(11, 16) : step >= 1 ? text.slice(11, 19) : text.slice(14, 23);
    const first = date !== day;
    day = date;
    return clock ? (first ? `${clock}\n${text.slice(0, 10)}` : clock) : text.slice(0, 10);
  });
}

function drawMarks(u, budget, findings) {
  const { ctx } = u;
  const { left, top, width, height } = u.bbox;
  const ratio = window.devicePixelRatio || 1;
  ctx.save();
  ctx.beginPath();
  ctx.rect(left, top, width, height);
  ctx.clip();
  const across = (value, name, thick, dash = []) => {
    const y = u.valToPos(value, "y", true);
    ctx.strokeStyle = ink(name);
    ctx.lineWidth = thick * ratio;
    ctx.setLineDash(dash.map((part) => part * ratio));
    ctx.beginPath();
    ctx.moveTo(left, y);
    ctx.lineTo(left + width, y);
    ctx.stroke();
  };
  across(0, "sun", 2);
  if (budget !== null) {
    for (const value of [budget, -budget]) across(value, "out", 1.5, [9, 5]);
    ctx.textAlign = "left";
    ctx.fillStyle = ink("out");
    ctx.font = `${11 * ratio}px system-ui, sans-serif`;
    ctx.fillText("budget", left + 6 * ratio, u.valToPos(budget, "y", true) + 13 * ratio);
  }
  ctx.setLineDash([2 * ratio, 3 * ratio]);
  for (const finding of findings) {
    const x = u.valToPos(finding.at_ns / 1e9, "x", true);
    ctx.strokeStyle = ctx.fillStyle = ink("open");
    ctx.lineWidth = ratio;
    ctx.beginPath();
    ctx.moveTo(x, top);
    ctx.lineTo(x, top + height);
    ctx.stroke();
    ctx.beginPath();
    ctx.moveTo(x, top + 10 * ratio);
    ctx.lineTo(x + 6 * ratio, top);
    ctx.lineTo(x - 6 * ratio, top);
    ctx.fill();
  }
  ctx.restore();
}

function cells(course, n) {
  const { points } = course;
  const known = points.offset_ns[n] !== null;
  return [
    instant(points.at_ns[n], 3),
    known ? error(points.offset_ns[n], points.uncertainty_ns[n]) : `not known: ${course.reasons[points.reason[n]] ?? "no reason given"}`,
    known ? limits(points.lower_ns[n], points.upper_ns[n]) : "",
    String(points.ticks[n]),
  ];
}

function words(course, n) {
  const [time, clock, certain] = cells(course, n);
  const { points } = course;
  const caution = points.offset_ns[n] !== null && points.reason[n] !== null ? ` (${course.reasons[points.reason[n]]})` : "";
  const several = points.ticks[n] > 1 && points.offset_ns[n] !== null ? `; lowest ${signed(points.lowest_ns[n])}, highest ${signed(points.highest_ns[n])} of ${points.ticks[n]} ticks` : "";
  return `${time}: ${clock}${certain ? `; certain ${certain}` : ""}${several}${caution}`;
}

const signed = (value) => `${value < 0 ? "−" : "+"}${duration(Math.abs(value))}`;
