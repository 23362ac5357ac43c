// What was found in a stretch of time, on one line for each kind, and in words below.
import { counted, instant } from "./format.js";
import { h, ink, notice, painted } from "./lib.js";
import { list } from "./course.js";

const SPANS = [["1h", "1 h"], ["6h", "6 h"], ["1d", "1 day"], ["7d", "7 days"], ["30d", "30 days"]];
const AT_ONCE = 100;

export function show(main, parameters, context) {
  const state = { since: parameters.since ?? "-1d", until: parameters.until ?? "", kind: parameters.kind ?? "", host: parameters.host ?? "", more: AT_ONCE, document: null };
  const title = h("h1", { class: "verdict" }, "Findings");
  const under = h("p", { class: "under" });
  const buttons = SPANS.map(([value, text]) => h("button", { type: "button", "data-span": value, onclick: () => move(`-${value}`, "") }, text));
  const from = h("input", { "aria-label": "From (UTC, or an age such as -2h)", value: state.since, size: 24, spellcheck: false });
  const until = h("input", { "aria-label": "Until (UTC; empty for now)", value: state.until, placeholder: "now", size: 24, spellcheck: false });
  const kinds = h("select", { "aria-label": "Kind", onchange: () => { state.kind = kinds.value; remember(); draw(); } });
  const host = h("input", { type: "search", "aria-label": "Host", placeholder: "any host", value: state.host, spellcheck: false });
  const form = h("form", { class: "range", onsubmit: (event) => { event.preventDefault(); state.host = host.value.trim(); move(from.value.trim(), until.value.trim()); } },
    h("div", { class: "spans", role: "group", "aria-label": "Time shown" }, buttons), h("label", {}, "from ", from), h("label", {}, "until ", until), h("label", {}, "of ", host), h("label", {}, "kind ", kinds), h("button", {}, "Show"));
  const canvas = h("canvas", { class: "timeline", role: "img" });
  const figure = h("figure", { class: "card" }, canvas);
  const listed = h("section", { class: "card", "aria-label": "Findings in words" });
  main.append(h("section", { class: "head" }, title, under), form, figure, listed);

  function move(since, to) {
    state.since = since || "-1d";
    state.until = to;
    state.more = AT_ONCE;
    remember();
    update();
  }

  const remember = () => context.remember({ since: state.since === "-1d" ? "" : state.since, until: state.until, kind: state.kind, host: state.host });

  async function update() {
    for (const button of buttons) button.setAttribute("aria-pressed", state.since === `-${button.dataset.span}` && !state.until);
    from.value = state.since;
    until.value = state.until;
    const document = await context.get("findings", { since: state.since, until: state.until, host: state.host, limit: 5000 });
    if (!document) return;
    state.document = document;
    draw();
  }

  function draw() {
    const { document } = state;
    if (!document) return;
    const names = [...new Set(document.findings.map((one) => one.kind))].sort();
    if (state.kind && !names.includes(state.kind)) names.push(state.kind);
    kinds.replaceChildren(h("option", { value: "" }, "all"), ...names.map((name) => h("option", { value: name, selected: name === state.kind }, name.replaceAll("-", " "))));
    const chosen = document.findings.filter((one) => !state.kind || one.kind === state.kind);
    title.textContent = chosen.length ? `${counted(chosen.length, "finding")} in this time.` : "Nothing was found in this time.";
    under.textContent = `From ${instant(document.since_ns)} until ${instant(document.until_ns)}${document.history ? "" : ". This collector keeps no history: only the newest estimate's findings are known"}${state.host ? `, about ${state.host}` : ""}.`;
    figure.hidden = !chosen.length;
    timeline(chosen, document, state.kind ? [state.kind] : names);
    const shown = [...chosen].reverse().slice(0, state.more);
    listed.replaceChildren(h("h2", {}, "Newest first"), chosen.length ? list(shown) : notice("No finding", "No step, no liar, no asymmetric path: nothing that a person should know."),
      chosen.length > shown.length ? h("button", { type: "button", onclick: () => { state.more += AT_ONCE; draw(); } }, `Show more of ${counted(chosen.length, "finding")}`) : "");
  }

  function timeline(findings, document, names) {
    canvas.style.height = `${40 + names.length * 30}px`;
    canvas.setAttribute("aria-label", `Findings over time: ${names.map((name) => `${findings.filter((one) => one.kind === name).length} of kind ${name.replaceAll("-", " ")}`).join(", ")}. The list below has each of them.`);
    painted(canvas, (context2d, width, height) => {
      const left = Math.min(150, width * 0.3);
      const whole = document.until_ns - document.since_ns;
      const x = (at) => left + Math.max(0, Math.min(1, (at - document.since_ns) / whole)) * (width - left - 16);
      context2d.font = "12px system-ui, sans-serif";
      context2d.strokeStyle = ink("line");
      context2d.fillStyle = ink("muted");
      for (const place of [0, 0.25, 0.5, 0.75, 1]) {
        const at = document.since_ns + place * whole;
        context2d.beginPath();
        context2d.moveTo(x(at), 6);
        context2d.lineTo(x(at), height - 24);
        context2d.stroke();
        context2d.textAlign = place === 0 ? "left" : place === 1 ? "right" : "center";
        const text = instant(at);
        if (width > 560 || place === 0 || place === 1) context2d.fillText(whole > 172800e9 ? text.slice(5, 10) : text.slice(5, 16), x(at), height - 8);
      }
      names.forEach((name, row) => {
        const y = 22 + row * 30;
        context2d.textAlign = "left";
        context2d.fillStyle = ink("ink");
        context2d.fillText(name.replaceAll("-", " "), 4, y + 4);
        for (const one of findings.filter((finding) => finding.kind === name)) {
          const begin = x(one.at_ns);
          const end = x(one.at_ns + (one.evidence?.lasted_s ?? 0) * 1e9);
          context2d.fillStyle = ink("open");
          context2d.globalAlpha = 0.45;
          if (end > begin + 1) context2d.fillRect(begin, y - 3, end - begin, 6);
          context2d.globalAlpha = 1;
          context2d.beginPath();
          context2d.moveTo(begin, y - 7);
          context2d.lineTo(begin + 6, y);
          context2d.lineTo(begin, y + 7);
          context2d.lineTo(begin - 6, y);
          context2d.fill();
        }
      });
    });
  }

  window.addEventListener("resize", draw);
  return { update, repaint: draw, leave: () => window.removeEventListener("resize", draw) };
}
