// Numbers in words, by the same rules as the command line: an uncertainty with one or two digits and its value to the
// same place (JCGM 100, 7.2.6), certain limits rounded outwards. Pure. Integers of ns are reckoned exactly.

const SECOND = 1e9;
export const UNITS = [
  ["ns", 1], ["µs", 1e3], ["ms", 1e6], ["s", 1e9], ["min", 60e9], ["h", 3600e9], ["d", 86400e9],
].map(([name, size]) => ({ name, size }));

/** The largest unit that makes `value` at least 1 (minutes: 2); past seconds only if seconds need not be seen. */
export function fittingUnit(value, resolution = Infinity) {
  let unit = UNITS[0];
  for (const candidate of UNITS.slice(1)) {
    const least = candidate.name === "min" ? 2 * candidate.size : candidate.size;
    if (Math.abs(value) < least || (candidate.size > SECOND && resolution < SECOND)) break;
    unit = candidate;
  }
  return unit;
}

const exponentOf = (value) => Number(Math.abs(value).toExponential().split("e")[1]);

function placesFor(resolution, unit) {
  const fine = Math.max(resolution, 1);
  let exponent = exponentOf(fine);
  if (fine / 10 ** exponent < 2.95) exponent -= 1;
  exponent = Math.max(exponent, 0);
  return Math.max(0, Math.ceil(Math.log10(unit.size)) - exponent);
}

/** The bare number, half to even, without a sign for a rounded zero. */
export function inUnit(value, unit, places) {
  const sign = value < 0 ? "-" : "";
  const scale = 10n ** BigInt(places);
  const above = BigInt(Math.round(Math.abs(value))) * scale;
  const size = BigInt(unit.size);
  let whole = above / size;
  const rest = 2n * (above % size);
  if (rest > size || (rest === size && whole % 2n === 1n)) whole += 1n;
  const digits = whole.toString().padStart(places + 1, "0");
  const text = places ? `${digits.slice(0, -places)}.${digits.slice(-places)}` : digits;
  return whole === 0n ? text : sign + text;
}

/** A length of time to so many significant digits: `1.84 ms`, `20 µs`, `3.2 d`; the sign is kept. */
export function duration(value, digits = 3) {
  if (value === 0) return "0 ns";
  let unit = fittingUnit(value);
  const step = 10 ** Math.max(0, exponentOf(value) - digits + 1);
  const rounded = unit.size <= SECOND ? halfEven(value / step) * step : value;
  unit = fittingUnit(rounded);
  const places = unit.size === 1 ? 0 : Math.max(0, digits - 1 - Math.floor(Math.log10(Math.abs(rounded) / unit.size)));
  let text = inUnit(rounded, unit, places);
  if (text.includes(".")) text = text.replace(/0+$/, "").replace(/\.$/, "");
  return `${text} ${unit.name}`;
}

function halfEven(value) {
  const whole = Math.floor(value);
  const rest = value - whole;
  return rest > 0.5 || (rest === 0.5 && whole % 2 !== 0) ? whole + 1 : whole;
}

export const age = (value) => duration(value, 2);

/** Size and expanded uncertainty in one unit, without direction: `1.840 ms ± 0.018 ms`. */
export function offset(value, uncertainty) {
  const expanded = 2 * uncertainty;
  const size = Math.abs(value);
  let unit = fittingUnit(Math.max(size, expanded), expanded);
  let places = placesFor(expanded, unit);
  const rounded = Number(inUnit(size, unit, places)) * unit.size;
  if (rounded > size) {
    unit = fittingUnit(rounded, expanded);
    places = placesFor(expanded, unit);
  }
  return `${inUnit(size, unit, places)} ${unit.name} ± ${inUnit(expanded, unit, places)} ${unit.name}`;
}

export const direction = (value) => (value >= 0 ? "ahead" : "behind");

/** `ahead by 1.840 ms ± 0.018 ms`; a clock that shows the very same time is told so. */
export function error(value, uncertainty) {
  if (value === null) return "not known";
  if (value === 0 && uncertainty === 0) return "the same time";
  const told = offset(value, uncertainty);
  return /^0(\.0+)? /.test(told) ? `level, ${told.slice(told.indexOf("±"))}` : `${direction(value)} by ${told}`;
}

function outward(lower, upper) {
  const width = Math.max(upper - lower, 1);
  const unit = fittingUnit(Math.max(Math.abs(lower), Math.abs(upper)), width / 10);
  let exponent = exponentOf(width);
  exponent = Math.max(0, exponent - (width / 10 ** exponent < 3 ? 2 : 1));
  let step = 10 ** exponent;
  let places = Math.max(0, Math.round(Math.log10(unit.size)) - exponent);
  if (unit.size > SECOND) [step, places] = [unit.size / 100, 2];
  return [Math.floor(lower / step) * step, Math.ceil(upper / step) * step, unit, places];
}

const signed = (text) => (text.startsWith("-") || /^[0.]*$/.test(text) ? text : `+${text}`);

/** Signed limits, positive = ahead: `+1.63 to +2.09 ms`; an open side is `…`. */
export function limits(lower, upper) {
  if (lower === null && upper === null) return "none";
  if (lower === null || upper === null) {
    const only = lower ?? upper;
    const [low, high, unit, places] = outward(only, only);
    const text = signed(inUnit(lower === null ? high : low, unit, places));
    return lower === null ? `… to ${text} ${unit.name}` : `${text} ${unit.name} to …`;
  }
  const [low, high, unit, places] = outward(lower, upper);
  return `${signed(inUnit(low, unit, places))} to ${signed(inUnit(high, unit, places))} ${unit.name}`;
}

/** A drift (parts per billion) with its sign: `+12.0 ppm`; positive gains. */
export function drift(ppb, uncertainty = null) {
  if (ppb === null) return "not known";
  if (ppb === 0) return "0 ppm";
  const [name, scale] = Math.abs(ppb) >= 100 ? ["ppm", 1e-3] : ["ppb", 1];
  const scaled = Math.abs(ppb) * scale;
  let places = scaled >= 1e-2 ? Math.max(0, 2 - Math.floor(Math.log10(scaled))) : 2;
  if (uncertainty !== null && uncertainty > 0) {
    places = Math.min(places, Math.max(0, -Math.floor(Math.log10(uncertainty * scale))));
  }
  const text = (ppb * scale).toFixed(places);
  return /^-?0(\.0+)?$/.test(text) ? `0 ${name}` : `${text.startsWith("-") ? "" : "+"}${text} ${name}`;
}

/** How much of a budget is used or left. */
export function headroom(budget) {
  if (budget.headroom === null && budget.estimated_headroom === null) return "nothing can be said";
  const left = budget.headroom ?? budget.estimated_headroom;
  if (budget.fitness === "out") return `${number(1 - budget.estimated_headroom)} times the budget`;
  if (budget.fitness === "within") return `${Math.round(left * 100)} % of the budget left`;
  return budget.headroom === null ? "no certain limits" : `limits reach ${number(1 - left)} times the budget`;
}

const number = (value) => (value >= 100 ? Math.round(value).toString() : value.toPrecision(2));
export const count = (value) => value.toLocaleString("en-GB");

/** `1 host`, `2 hosts`. */
export const counted = (value, one, many = `${one}s`) => `${count(value)} ${value === 1 ? one : many}`;

/** An instant (ns) as `2026-11-25 06:55:03 UTC`, with so many digits of fraction. */
export function instant(ns, digits = 0) {
  const ms = Math.floor(ns / 1e6);
  const text = new Date(ms).toISOString();
  const fraction = digits ? `.${text.slice(20, 20 + digits)}` : "";
  return `${text.slice(0, 10)} ${text.slice(11, 19)}${fraction} UTC`;
}

/** An instant (ns) as RFC 3339 with milliseconds, as the interface and links take it. */
export const rfc3339 = (ns) => new Date(Math.floor(ns / 1e6)).toISOString();

const SPAN = { ns: 1, us: 1e3, "µs": 1e3, ms: 1e6, s: 1e9, m: 60e9, min: 60e9, h: 3600e9, d: 86400e9, w: 604800e9 };

/** A length such as `90s`, `1h30m`, `5 min` or `1:30` (minutes and seconds) in ns; null if it is none. */
export function span(text) {
  const clean = text.trim().replace(/\s+/g, "");
  const clock = /^(\d+):(\d\d)(?::(\d\d))?$/.exec(clean);
  if (clock) {
    const [, first, second, third] = clock;
    return (third === undefined ? Number(first) * 60 + Number(second)
      : Number(first) * 3600 + Number(second) * 60 + Number(third)) * SECOND;
  }
  if (!/^(\d+(\.\d+)?(ns|us|µs|ms|min|s|m|h|d|w))+$/.test(clean)) return null;
  let total = 0;
  for (const [, value, unit] of clean.matchAll(/(\d+(?:\.\d+)?)(ns|us|µs|ms|min|s|m|h|d|w)/g)) total += Number(value) * SPAN[unit];
  return total;
}

/** `1:05:09`, `4:07`: hours only if there are some. */
export function clockSpan(ns) {
  const seconds = Math.ceil(Math.abs(ns) / SECOND);
  const [hours, minutes, rest] = [Math.floor(seconds / 3600), Math.floor(seconds / 60) % 60, seconds % 60];
  const two = (value) => String(value).padStart(2, "0");
  return `${ns < 0 ? "+" : ""}${hours ? `${hours}:${two(minutes)}` : minutes}:${two(rest)}`;
}
