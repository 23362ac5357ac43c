// A countdown's plan: one instant, or segments one after the other, each with its own warnings. Pure.
import { span } from "./format.js";

/**
 * Read a plan's lines: `LENGTH; NAME; WARNINGS`, such as `5m; Boarding; 1m, 30s`. Gives {segments, problem}; a problem is
 * one line that names the line at fault.
 */
export function readPlan(text) {
  const segments = [];
  for (const [n, line] of text.split("\n").entries()) {
    if (!line.trim()) continue;
    const [length, name = "", warnings = ""] = line.split(";").map((part) => part.trim());
    const ns = span(length);
    if (ns === null || ns <= 0) return { segments: [], problem: `Line ${n + 1}: “${length}” is no length of time; write 90s, 5m or 1:30.` };
    const before = warnings ? warnings.split(",").map(span) : [];
    if (before.some((one) => one === null)) return { segments: [], problem: `Line ${n + 1}: “${warnings}” are no warning times; write 1m, 30s.` };
    segments.push({ length: ns, name: name || `Segment ${segments.length + 1}`, warnings: before.sort((a, b) => b - a) });
  }
  return { segments, problem: "" };
}

/**
 * Where a plan stands. `phase` is before, running or over; while running `current` is the segment, `left` what is left of
 * it (ns), and `warned` how many of its warnings have passed. `left` is until the start before it, and since the end after.
 */
export function standingOf(segments, start, now) {
  if (now < start) return { phase: "before", left: start - now, index: -1, warned: 0 };
  let begin = start;
  for (const [index, segment] of segments.entries()) {
    const end = begin + segment.length;
    if (now < end) {
      const left = end - now;
      return { phase: "running", index, current: segment, left, done: (now - begin) / segment.length, warned: segment.warnings.filter((warning) => left <= warning).length };
    }
    begin = end;
  }
  return { phase: "over", left: begin - now, index: segments.length, warned: 0 };
}
