// Reference time in large digits for a wall: how sure it is, whether the reference is locked, how wrong this screen's own
// clock is, and a countdown to an instant or through segments. Everything about it is in the address.
import { age, clockSpan, counted, direction, duration, rfc3339, span } from "./format.js";
import { h, notice } from "./lib.js";
import { readPlan, standingOf } from "./plan.js";

const LOCK = { locked: "locked", holdover: "in holdover", "free-run": "free-running", unknown: "not known to be locked" };
const SILENT = 60e9;

export function show(main, parameters, context) {
  const state = { zone: parameters.zone ?? "utc", until: parameters.until ?? "", name: parameters.name ?? "", warn: parameters.warn ?? "", start: parameters.start ?? "", plan: parameters.plan ?? "", wall: parameters.wall ?? "" };
  const { clock } = context;
  const digits = h("p", { class: "digits", "aria-hidden": "true" });
  const sure = h("span", {});
  const unsure = h("span", { class: "unsure" });
  digits.append(sure, unsure);
  const spoken = h("p", { class: "visually-hidden", role: "timer", "aria-live": "off" });
  const date = h("p", { class: "date" });
  const quality = h("p", { class: "quality" });
  const own = h("p", { class: "own" });
  const made = h("p", { class: "note" });
  const trouble = h("div", {});
  const count = h("section", { class: "countdown", hidden: true, "aria-label": "Countdown" });
  const countName = h("h2", {});
  const countDigits = h("p", { class: "count-digits", role: "timer", "aria-live": "off" });
  const countSays = h("p", { class: "count-says", role: "status" });
  const bar = h("div", { class: "bar", "aria-hidden": "true" }, h("i", {}));
  const segmentList = h("ol", { class: "segments" });
  count.append(countName, countDigits, bar, countSays, segmentList);
  main.append(h("h1", { class: "visually-hidden" }, "Reference time"), trouble, h("section", { class: "wall-time", "aria-label": "Reference time" }, digits, spoken, date, quality, own, made), count, settings());
  let plan = { segments: [], start: null, problem: "" };
  let frame = 0;
  let saidAt = 0;

  function settings() {
    const field = (label, input) => h("label", {}, label, input);
    const until = h("input", { name: "until", value: state.until, placeholder: "2026-11-25T18:30:00Z, or 20m", spellcheck: false });
    const name = h("input", { name: "name", value: state.name, placeholder: "Departure" });
    const warn = h("input", { name: "warn", value: state.warn, placeholder: "5m, 1m", spellcheck: false });
    const start = h("input", { name: "start", value: state.start, placeholder: "empty: as soon as Start is pressed", spellcheck: false });
    const lines = h("textarea", { name: "plan", rows: 4, spellcheck: false, placeholder: "5m; Boarding; 1m, 30s\n20m; Crossing; 2m" });
    lines.value = state.plan;
    const problem = h("p", { class: "problem", role: "alert" });
    const now = () => clock.now() ?? Date.now() * 1e6;
    const wall = h("button", { type: "button", onclick: () => {
      state.wall = "1";
      remember();
      apply();
      document.documentElement.requestFullscreen?.().catch(() => {});
    } }, "Only the time, full screen");
    const zone = h("button", { type: "button", onclick: () => { state.zone = state.zone === "utc" ? "local" : "utc"; remember(); apply(); } }, "UTC / local time");
    const single = h("form", { onsubmit(event) {
      event.preventDefault();
      const length = span(until.value.trim());
      const at = length !== null ? now() + length : Date.parse(until.value.trim()) * 1e6;
      if (!Number.isFinite(at) || !until.value.trim()) return void (problem.textContent = "Write an instant with its zone, such as 2026-11-25T18:30:00Z, or a length such as 20m.");
      Object.assign(state, { until: rfc3339(at), name: name.value.trim(), warn: warn.value.trim(), start: "", plan: "" });
      remember();
      problem.textContent = apply();
    } }, h("h3", {}, "Count down to an instant"), field("Instant or length", until), field("What happens then", name), field("Warn before it", warn), h("button", {}, "Start"));
    const several = h("form", { onsubmit(event) {
      event.preventDefault();
      const given = start.value.trim();
      const at = given ? Date.parse(given) * 1e6 : now();
      if (!Number.isFinite(at)) return void (problem.textContent = "Write the start as an instant with its zone, such as 2026-11-25T18:30:00Z.");
      Object.assign(state, { until: "", name: "", warn: "", start: rfc3339(at), plan: lines.value });
      remember();
      problem.textContent = apply();
    } }, h("h3", {}, "Go through segments"), field("Start", start), field("One a line: length; name; warnings", lines), h("button", {}, "Start"));
    const stop = h("button", { type: "button", onclick: () => { Object.assign(state, { until: "", start: "", plan: "", name: "", warn: "" }); remember(); problem.textContent = apply(); } }, "No countdown");
    return h("details", { class: "settings card", open: false }, h("summary", {}, "Countdown and display"), h("div", { class: "buttons" }, zone, wall, stop), problem, h("div", { class: "forms" }, single, several));
  }

  const remember = () => context.remember({ ...state, zone: state.zone === "utc" ? "" : state.zone });

  /** Bring the view in line with the state; gives what is wrong with the plan. */
  function apply() {
    document.body.classList.toggle("wall", Boolean(state.wall));
    plan = { segments: [], start: null, problem: "" };
    if (state.plan && state.start) {
      plan = { ...readPlan(state.plan), start: Date.parse(state.start) * 1e6 };
    } else if (state.until) {
      const at = Date.parse(state.until) * 1e6;
      const warnings = state.warn ? state.warn.split(",").map(span) : [];
      if (warnings.includes(null)) plan.problem = "Write warnings as lengths, such as 5m, 1m.";
      plan = { ...plan, single: { at, name: state.name || "Countdown", warnings: warnings.filter((one) => one !== null) } };
    }
    count.hidden = !plan.single && !plan.segments.length;
    main.classList.toggle("counting", !count.hidden);
    segmentList.replaceChildren(...plan.segments.map((segment) => h("li", {}, h("span", {}, segment.name), " ", h("span", {}, clockSpan(segment.length)))));
    segmentList.hidden = !plan.segments.length;
    return plan.problem;
  }

  function draw() {
    frame = requestAnimationFrame(draw);
    const now = clock.now();
    if (now === null) {
      sure.textContent = "––:––:––";
      unsure.textContent = ".––";
      quality.textContent = clock.failed ? `No reference time: ${clock.failed}.` : "Asking the collector …";
      own.textContent = date.textContent = "";
      return;
    }
    const ms = Math.floor(now / 1e6);
    const moment = new Date(ms);
    const two = (value) => String(value).padStart(2, "0");
    const utc = state.zone === "utc";
    const text = utc ? moment.toISOString().slice(11, 19) : `${two(moment.getHours())}:${two(moment.getMinutes())}:${two(moment.getSeconds())}`;
    const fraction = two(Math.floor((((ms % 1000) + 1000) % 1000) / 10));
    const room = clock.room();
    // Digits that the uncertainty reaches are shown faintly.
    const certain = room.total <= 5e6 ? 3 : room.total <= 5e7 ? 2 : 0;
    sure.textContent = `${text}${certain ? `.${fraction}`.slice(0, certain) : ""}`;
    unsure.textContent = `.${fraction}`.slice(certain);
    count.hidden || drawCount(now);
    if (performance.now() - saidAt < 500) return;
    saidAt = performance.now();
    slow(now, moment, utc, room);
  }

  function slow(now, moment, utc, room) {
    date.textContent = utc ? `${moment.toISOString().slice(0, 10)}, UTC` : `${moment.toLocaleDateString("en-GB", { dateStyle: "full" })}, local time of this screen`;
    const { last } = clock;
    spoken.textContent = `${moment.toISOString().slice(11, 19)} UTC`;
    const lock = last.references.length ? `${counted(last.references.length, "reference")}, ${LOCK[last.lock]}` : "no reference: the fleet's mean";
    quality.textContent = `± ${duration(room.total, 2)} · ${lock}`;
    quality.className = `quality ${last.lock === "locked" ? "within" : "open"}`;
    const error = clock.own();
    own.textContent = `This screen's own clock is ${Math.abs(error) < room.total + 1e6 ? `right to within ± ${duration(room.total + 1e6, 2)}` : `${direction(error)} by ${duration(error < 0 ? -error : error, 3)} ± ${duration(room.total + 1e6, 2)}`}.`;
    made.textContent = `Half a round trip to the collector ${duration(room.roundTrip, 2)}, the reference ${duration(room.reference, 2)}, ${clock.last.late_by_ns === null ? "how unevenly reports come in is not known yet" : `unevenness of the reports ${duration(room.ticks, 2)}`}, ${duration(room.waiting, 2)} since the last exchange. What all reports need to travel to the collector is not in it.${last.lock === "locked" ? "" : ` ${last.lock_reason[0]?.toUpperCase() ?? ""}${last.lock_reason.slice(1)}${last.lock_reason ? "." : ""}`}`;
    const old = now - last.estimate_at_ns;
    const problem = clock.failed ? notice("Running on without the collector", `Since ${age(room.since)}: ${clock.failed}. The uncertainty grows meanwhile.`, "error") : old > SILENT ? notice("The newest estimate is old", `It is ${age(old)} old: reference time runs on the collector's own clock since.`, "error") : null;
    if ((problem?.textContent ?? "") !== trouble.textContent) trouble.replaceChildren(...(problem ? [problem] : []));
  }

  function drawCount(now) {
    let where;
    if (plan.single) {
      const left = plan.single.at - now;
      const warned = plan.single.warnings.filter((one) => left <= one).length;
      where = left > 0 ? { phase: "running", left, current: plan.single, warned, done: 0, index: 0 } : { phase: "over", left, warned: 0, index: 1 };
    } else where = standingOf(plan.segments, plan.start, now);
    const { phase, left, current, warned } = where;
    countName.textContent = phase === "running" ? current.name : phase === "before" ? `Before ${plan.segments[0].name}` : plan.single ? plan.single.name : "All segments are over";
    countDigits.textContent = phase === "over" ? `${clockSpan(left)} ago`.replace("+", "") : clockSpan(left);
    const last = phase === "running" && warned === current.warnings.length && warned > 0;
    count.className = `countdown ${phase} ${warned ? (last ? "last-warning" : "warning") : ""}`;
    const says = phase === "over" ? "The time has come." : warned ? `${last ? "Last warning" : "Warning"}: less than ${clockSpan(current.warnings[warned - 1])} left` : phase === "before" ? "Starts in this time" : "";
    if (countSays.textContent !== says) countSays.textContent = says;
    bar.hidden = !plan.segments.length;
    bar.firstChild.style.width = `${phase === "running" ? 100 * where.done : phase === "over" ? 100 : 0}%`;
    [...segmentList.children].forEach((item, n) => {
      if (n === where.index) item.setAttribute("aria-current", "step");
      else item.removeAttribute("aria-current");
      item.classList.toggle("done", n < where.index);
    });
  }

  const escape = (event) => {
    if (event.key !== "Escape" || !state.wall) return;
    state.wall = "";
    remember();
    apply();
  };
  window.addEventListener("keydown", escape);
  const outOfFull = () => { if (!document.fullscreenElement) escape({ key: "Escape" }); };
  document.addEventListener("fullscreenchange", outOfFull);
  apply();
  const burst = [0, 150, 300, 450].map((wait) => setTimeout(() => clock.exchange(), wait));
  const timer = setInterval(() => clock.exchange(), 4000);
  draw();
  return {
    update() {},
    leave() {
      cancelAnimationFrame(frame);
      clearInterval(timer);
      burst.forEach(clearTimeout);
      window.removeEventListener("keydown", escape);
      document.removeEventListener("fullscreenchange", outOfFull);
      document.body.classList.remove("wall");
      main.classList.remove("counting");
    },
  };
}
