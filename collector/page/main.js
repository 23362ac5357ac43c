// Which view is shown, the line that says how old the numbers are, and the theme. Views know nothing of each other.
import { h, notice, to } from "./lib.js";
import { age } from "./format.js";
import { ask, follow, ReferenceClock, Refused } from "./live.js";

const VIEWS = {
  fleet: [() => import("./fleet.js"), "Fleet"],
  host: [() => import("./course.js"), "Host"],
  pair: [() => import("./course.js"), "Two hosts"],
  paths: [() => import("./paths.js"), "Paths"],
  references: [() => import("./references.js"), "References"],
  findings: [() => import("./findings.js"), "Findings"],
  time: [() => import("./time.js"), "Time"],
};
const OLD = 30e9;
const main = document.getElementById("main");
const live = document.getElementById("live");
const clock = new ReferenceClock();
let shown = { name: "", view: null, text: "" };
let showing = 0;
let connected = null;
let estimateAt = null;
let sequence = null; // of the estimate whose numbers were shown last

/** What a view may use: the page's clock, and its own place in the address. */
const context = {
  clock,
  /** Change the view's parameters in the address without leaving it. */
  remember(parameters) {
    const target = to(shown.name, parameters);
    history.replaceState(null, "", target);
    shown.text = target;
  },
  /** A document for the present view; says in the view what went wrong, and gives null. */
  async get(name, parameters, box = main) {
    try {
      const document = await ask(name, parameters);
      box.querySelector(`:scope > .notice.error[data-of="${name}"]`)?.remove();
      if (document.at_ns && !parameters?.at && (name === "fleet" || name === "paths" || name === "references")) {
        estimateAt = document.at_ns;
        sequence = document.sequence;
      }
      return document;
    } catch (problem) {
      if (problem.name === "AbortError") return null;
      const unreachable = !(problem instanceof Refused);
      const title = unreachable ? "The collector does not answer" : problem.status === 503 ? "Nothing measured yet" : "No answer to this";
      const text = unreachable ? "The page asks again by itself. What is shown below may be old." : problem.message;
      const fresh = notice(title, text, "error");
      fresh.dataset.of = name;
      const told = [...box.querySelectorAll(":scope > .notice.error")];
      const old = told.find((one) => one.dataset.of === name);
      if (told.some((one) => one.textContent === fresh.textContent)) return null;
      if (old) old.replaceWith(fresh);
      else box.prepend(fresh);
      return null;
    }
  },
};

function place() {
  const text = location.hash.startsWith("#/") ? location.hash : "#/fleet";
  const [name, query = ""] = text.slice(2).split("?");
  return { name: VIEWS[name] ? name : "fleet", parameters: Object.fromEntries(new URLSearchParams(query)), text };
}

async function route() {
  const { name, parameters, text } = place();
  if (text === shown.text) return;
  const turn = ++showing;
  const [load, title] = VIEWS[name];
  shown.view?.leave?.();
  shown = { name, view: null, text };
  for (const link of document.querySelectorAll("#views a")) {
    const current = link.getAttribute("href") === `#/${name}` || (name === "host" && link.getAttribute("href") === "#/fleet");
    if (current) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  document.body.dataset.view = name;
  document.title = `${title} – noonmark`;
  let module;
  try {
    module = await load();
  } catch {
    // The collector went away before this view was ever shown; `follow` tells when it is back.
    if (turn !== showing) return;
    main.replaceChildren(h("h1", {}, title), notice("The collector does not answer", "The page asks again by itself.", "error"));
    shown.text = "";
    connected = false;
    tellAge();
    return;
  }
  if (turn !== showing) return;
  main.replaceChildren();
  window.scrollTo(0, 0);
  shown.view = module.show(main, parameters, context, name);
  await update();
}

let updating = false;
let again = false;

/** Bring the view up to date; news that comes meanwhile is asked for afterwards, not beside it. */
async function update() {
  if (updating) {
    again = true;
    return;
  }
  updating = true;
  do {
    again = false;
    const { view, name } = shown;
    try {
      await view?.update?.();
    } finally {
      if (shown.view === view && view) {
        main.dataset.ready = name;
        performance.mark(`shown ${name}`);
        fetchTheRest();
      }
    }
    tellAge();
  } while (again);
  updating = false;
}

let fetched = false;

/** Load the other views once the first one stands, so that they are there even if the collector goes away. */
function fetchTheRest() {
  if (fetched) return;
  fetched = true;
  setTimeout(() => Object.values(VIEWS).forEach(([load]) => load().catch(() => { fetched = false; })), 100);
}

function tellAge() {
  const now = clock.now();
  if (clock.last) estimateAt = Math.max(estimateAt ?? 0, clock.last.estimate_at_ns);
  let text = "Asking the collector …";
  let kind = "";
  if (connected === false) [text, kind] = ["The collector does not answer", "lost"];
  else if (estimateAt !== null && now !== null) {
    const old = Math.max(now - estimateAt, 0);
    kind = old > OLD ? "old" : "fresh";
    // Whole steps, so that the status is not a new one each second for those who hear it.
    const told = old < 10e9 ? "less than 10 s" : age(Math.floor(old / 10e9) * 10e9);
    text = kind === "old" ? `Stale: the newest estimate is ${told} old` : `Live: estimate ${told} old`;
  } else if (connected) text = "Connected";
  if (live.textContent !== text) live.textContent = text;
  live.className = `live ${kind}`;
}

function theme() {
  const button = document.getElementById("theme");
  const order = ["system", "light", "dark"];
  let current = "system";
  try {
    current = localStorage.getItem("theme") ?? "system";
  } catch {
    // Storage may be forbidden; the choice then lasts as long as the page.
  }
  const set = (name) => {
    current = name;
    if (name === "system") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = name;
    button.textContent = `Theme: ${name}`;
    try {
      localStorage.setItem("theme", name);
    } catch {
      // As above.
    }
    shown.view?.repaint?.();
  };
  button.addEventListener("click", () => set(order[(order.indexOf(current) + 1) % order.length]));
  set(current);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => shown.view?.repaint?.());
}

document.getElementById("skip").addEventListener("click", () => main.focus());
window.addEventListener("hashchange", route);
theme();
route();
clock.exchange().then(tellAge);
setInterval(() => clock.exchange(), 30_000);
setInterval(tellAge, 1000);
follow((up, told) => {
  const back = connected === false;
  if (up || connected === null) connected = up;
  else connected = false;
  if (up) {
    // The first news is of the estimate that the first view was made of.
    const known = !back && told === sequence && main.dataset.ready === shown.name;
    if (known) tellAge();
    else if (shown.text) update();
    else route();
    if (estimateAt === null || shown.name === "findings") clock.exchange().then(tellAge);
  }
  else tellAge();
});
