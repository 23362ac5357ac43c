// The references: what they declare, whether their own source is locked, and what the others' probes say of them.
import { age, duration, error, limits } from "./format.js";
import { h, hostLink, notice, shape } from "./lib.js";
import { list } from "./course.js";

const KIND = { locked: "within", holdover: "cannot-be-shown", "free-run": "out", unknown: "unknown" };
const SAYS = {
  locked: "Locked: it follows its source.",
  holdover: "Holdover: it has lost its source and runs on its own oscillator.",
  "free-run": "Free-run: it follows no source.",
  unknown: "Not known whether it is locked.",
};

export function show(main, parameters, context) {
  const title = h("h1", { class: "verdict" }, "References");
  const under = h("p", { class: "under" });
  const cards = h("div", { class: "cards" });
  const findings = h("section", { class: "card", "aria-label": "What is found about references" });
  main.append(h("section", { class: "head" }, title, under), cards, findings);

  async function update() {
    const document = await context.get("references", {});
    if (!document) return;
    const rows = document.references;
    const kind = worst(rows, document);
    title.replaceChildren(shape(kind), h("span", {}, headline(rows, document)));
    title.className = `verdict ${kind}`;
    under.textContent = document.text;
    cards.replaceChildren(...(rows.length ? rows.map(card) : [notice("No reference is declared", "Errors are told against the fleet's weighted mean: they say how far hosts differ, not how far they are from true time. Name one with --reference.")]));
    const all = rows.flatMap((row) => row.findings).concat(document.findings.filter((one) => !rows.some((row) => row.findings.some((other) => other.text === one.text))));
    findings.replaceChildren(h("h2", {}, "Found about references"), all.length ? list(all) : h("p", { class: "quiet" }, "Nothing speaks against them."));
  }
  return { update };
}

function card(row) {
  const { measured } = row;
  const rows = [
    ["Its source", h("span", {}, SAYS[row.lock], row.lock_reason ? ` ${row.lock_reason[0].toUpperCase()}${row.lock_reason.slice(1)}.` : "")],
    ["Declares", row.declared_limit_ns ? `standard uncertainty ${duration(row.declared_uncertainty_ns)}, never off by more than ${duration(row.declared_limit_ns)}` : "to be true time itself"],
    ["Against all references", measured ? error(measured.offset_ns, measured.uncertainty_ns) : `not known: ${row.reason}`],
    ["Certain", measured ? limits(measured.lower_ns, measured.upper_ns) : "nothing"],
    ["Heard", measured && measured.heard_ns !== null ? (measured.heard_ns < 1e7 ? "just before the estimate" : `${age(measured.heard_ns)} before the estimate`) : "not lately"],
    ["Zone, role", measured ? [measured.zone, measured.role].filter(Boolean).join(", ") || "not told" : "not told"],
  ];
  return h("section", { class: "card reference" }, h("h2", {}, shape(KIND[row.lock], row.lock), hostLink(row.host)),
    h("dl", { class: "facts" }, rows.map(([term, value]) => h("div", {}, h("dt", {}, term), h("dd", {}, value)))));
}

function worst(rows, document) {
  if (!rows.length || rows.every((row) => !row.measured)) return "unknown";
  if (document.findings.length || rows.some((row) => !row.measured || row.lock === "holdover" || row.lock === "free-run")) return "cannot-be-shown";
  return rows.every((row) => row.lock === "locked") ? "within" : "unknown";
}

function headline(rows, document) {
  if (!rows.length) return "There is no declared reference.";
  const silent = rows.filter((row) => !row.measured).length;
  const many = (value) => (value === 1 ? "1 reference" : `${value} references`);
  if (silent) return `${many(silent)} of ${rows.length} ${silent === 1 ? "is" : "are"} not measured.`;
  if (document.findings.length) return "References disagree.";
  const count = (lock) => rows.filter((row) => row.lock === lock).length;
  if (count("locked") === rows.length) return rows.length === 1 ? "The reference is locked." : `All ${rows.length} references are locked and agree.`;
  if (count("unknown") === rows.length) return rows.length === 1 ? "The reference does not say whether its source is locked." : `None of the ${rows.length} references says whether its source is locked.`;
  const said = ["locked", "holdover", "free-run", "unknown"].filter(count).map((lock) => `${count(lock)} ${lock === "unknown" ? "not known to be locked" : lock}`);
  return `Of ${many(rows.length)}: ${said.join(", ")}.`;
}
