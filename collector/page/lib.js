// Small parts that every view uses: elements, links into the page, shapes, scales. No state.

/** An element with attributes, listeners (`on…`) and children; text is always text, never markup. */
export function h(name, attributes = {}, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else element.setAttribute(key, value === true ? "" : String(value));
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** A link target within the page. */
export function to(view, parameters = {}) {
  const query = new URLSearchParams();
  for (const [key, value] of Object.entries(parameters)) {
    if (value !== undefined && value !== null && value !== "") query.set(key, value);
  }
  const text = query.toString();
  return `#/${view}${text ? `?${text}` : ""}`;
}

export const hostLink = (host, parameters = {}) => h("a", { href: to("host", { a: host, ...parameters }) }, host);

const SVG = "http://www.w3.org/2000/svg";
const OUTLINES = {
  within: "M8 3a5 5 0 1 0 0 10A5 5 0 0 0 8 3z",
  out: "M8 1.5 15 14H1z",
  "cannot-be-shown": "M8 1.5 14.5 8 8 14.5 1.5 8z",
  "no-budget": "M8 4.5a3.5 3.5 0 1 0 0 7 3.5 3.5 0 0 0 0-7z",
  unknown: "M3.5 3.5l9 9m0-9-9 9",
};

/** A shape for each answer, so that none depends on colour: disc, triangle, open diamond, cross. */
export function shape(kind, title = "") {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 16 16");
  svg.setAttribute("class", `shape ${kind}`);
  if (title) {
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", title);
  } else svg.setAttribute("aria-hidden", "true");
  const path = document.createElementNS(SVG, "path");
  path.setAttribute("d", OUTLINES[kind] ?? OUTLINES.unknown);
  svg.append(path);
  return svg;
}

export const WORDS = {
  within: "within budget",
  out: "out of budget",
  "cannot-be-shown": "cannot be shown",
  "no-budget": "no budget",
  unknown: "unknown",
};

/** What a host's mark says. */
export function standing(host) {
  if (host.offset_ns === null) return "unknown";
  return host.budget ? host.budget.fitness : "no-budget";
}

/** A number from 0 to 1 for a signed value: linear near zero, logarithmic beyond `threshold`, 0.5 for zero. */
export function symmetric(threshold, most) {
  const whole = Math.log1p(most / threshold);
  return (value) => {
    const size = Math.min(Math.log1p(Math.abs(value) / threshold) / whole, 1);
    return 0.5 + (Math.sign(value) * size) / 2;
  };
}

/** Threshold and end of a scale that shows all of `values` (ns): from the usual size to the largest. */
export function spread(values) {
  const sizes = values.map(Math.abs).filter((size) => size > 0).sort((a, b) => a - b);
  if (!sizes.length) return { threshold: 100, most: 1e6 };
  const usual = sizes[Math.floor(sizes.length / 4)];
  const most = roundUp(sizes[sizes.length - 1] * 1.05);
  return { threshold: Math.min(Math.max(10 ** Math.floor(Math.log10(usual)), 1), most / 10), most };
}

/** The scale before, while it still serves: one that changed with every estimate could not be read. */
export function steady(before, next) {
  const serves = before && next.most <= before.most && next.most > before.most / 4 && Math.abs(Math.log10(next.threshold / before.threshold)) < 1.5;
  return serves ? before : next;
}

function roundUp(value) {
  const power = 10 ** Math.floor(Math.log10(value));
  for (const step of [1, 2, 3, 5, 10]) if (step * power >= value) return step * power;
  return 10 * power;
}

/** Values at which a symmetric scale is labelled: zero and powers of ten, thinned to what fits `width` pixels. */
export function decades(threshold, most, width) {
  const powers = [];
  for (let power = Math.ceil(Math.log10(threshold)); 10 ** power <= most * 1.0001; power++) powers.push(10 ** power);
  const place = symmetric(threshold, most);
  const kept = [];
  let edge = 0.5 * width;
  for (const value of powers) {
    const at = place(value) * width;
    if (at - edge >= 62 && at <= width - 24) {
      kept.push(value);
      edge = at;
    }
  }
  return [...kept.map((value) => -value).reverse(), 0, ...kept];
}

/** A canvas as large as its box, in device pixels; `draw` gets the context and the size in CSS pixels. */
export function painted(canvas, draw) {
  const box = canvas.getBoundingClientRect();
  const ratio = window.devicePixelRatio || 1;
  if (!box.width) return;
  canvas.width = Math.round(box.width * ratio);
  canvas.height = Math.round(box.height * ratio);
  const context = canvas.getContext("2d");
  context.scale(ratio, ratio);
  draw(context, box.width, box.height);
}

/** A colour of the page's own palette. */
export const ink = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

/** A message in place of a view: why there is nothing, and what to do. */
export const notice = (title, text, kind = "empty") =>
  h("div", { class: `notice ${kind}`, role: kind === "error" ? "alert" : undefined }, h("h2", {}, title), h("p", {}, text));

/** Run `work` once things have been quiet for `ms`. */
export function later(work, ms = 120) {
  let timer = 0;
  return (...given) => {
    clearTimeout(timer);
    timer = setTimeout(() => work(...given), ms);
  };
}
