// A long table of which only the rows in sight exist. Rows have one height; a row keeps its element while it is in
// sight, so that focus and reading place stay where they are; elements that went out of sight serve for the next rows.
// For print all rows are there, up to a limit.
import { h } from "./lib.js";

const BEYOND = 8;
const PRINTED = 3000;

/**
 * `columns`: [class, heading] (a heading may be an element); `make()` gives the cells of a row and `fill(cells, item, row)`
 * writes an item into them. `key(item)` names a row.
 */
export function virtualRows({ label, columns, key, make, fill, className = "" }) {
  const body = h("div", { class: "rows-body", role: "rowgroup" });
  const heading = h("div", { class: "row heading", role: "row", "aria-rowindex": 1 },
    columns.map(([name, text]) => h("div", { class: name, role: "columnheader" }, text)));
  const table = h("div", { class: `rows ${className}`, role: "table", "aria-label": label },
    h("div", { role: "rowgroup", class: "rows-head" }, heading), body);
  let items = [];
  let live = new Map();
  let all = false;
  let turn = 0; // rises with each new list: rows are filled once for each

  function rowHeight() {
    return parseFloat(getComputedStyle(table).getPropertyValue("--row")) || 34;
  }

  function fresh() {
    const cells = make();
    const element = h("div", { class: "row", role: "row" }, cells.map((cell, n) => h("div", { role: "cell", class: columns[n][0] }, cell)));
    return { cells, element };
  }

  function draw() {
    const height = rowHeight();
    body.style.height = `${items.length * height}px`;
    const top = -body.getBoundingClientRect().top;
    const first = all ? 0 : Math.max(0, Math.floor(top / height) - BEYOND);
    const last = all ? Math.min(items.length, PRINTED) : Math.min(items.length, Math.ceil((top + window.innerHeight) / height) + BEYOND);
    const next = new Map();
    const wanted = new Set();
    for (let place = first; place < last; place++) wanted.add(key(items[place]));
    const spare = [];
    for (const [name, row] of live) {
      if (wanted.has(name)) continue;
      row.element.remove(); // or all that stay would seem to be out of order
      spare.push(row);
    }
    let before = null;
    for (let place = first; place < last; place++) {
      const item = items[place];
      const name = key(item);
      const row = live.get(name) ?? spare.pop() ?? fresh();
      if (row.filled !== turn || row.name !== name) fill(row.cells, item, row.element);
      row.filled = turn;
      row.name = name;
      if (row.place !== place) {
        row.place = place;
        row.element.style.transform = `translateY(${place * height}px)`;
        row.element.setAttribute("aria-rowindex", place + 2);
      }
      next.set(name, row);
      // In the order of the table, so that the keyboard and a reader go from row to row.
      const expected = before ? before.nextSibling : body.firstChild;
      if (row.element !== expected) body.insertBefore(row.element, expected);
      before = row.element;
    }
    live = next;
  }

  let asked = 0;
  const soon = () => {
    if (!asked) asked = requestAnimationFrame(() => { asked = 0; draw(); });
  };
  const resized = () => {
    for (const row of live.values()) row.place = -1;
    soon();
  };
  const print = (whole) => () => { all = whole; draw(); };
  const [before, after] = [print(true), print(false)];
  window.addEventListener("scroll", soon, { passive: true });
  window.addEventListener("resize", resized);
  window.addEventListener("beforeprint", before);
  window.addEventListener("afterprint", after);
  return {
    element: table,
    heading,
    set(list) {
      items = list;
      turn++;
      table.setAttribute("aria-rowcount", items.length + 1);
      draw();
    },
    draw,
    leave() {
      window.removeEventListener("scroll", soon);
      window.removeEventListener("resize", resized);
      window.removeEventListener("beforeprint", before);
      window.removeEventListener("afterprint", after);
      cancelAnimationFrame(asked);
    },
  };
}
