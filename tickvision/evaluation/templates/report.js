"use strict";
for (const table of document.querySelectorAll("table.sort")) {
  const value = (row, column) => {
    const cell = row.cells[column];
    const held = cell && cell.querySelector("data[value]");
    const text = held ? held.value : cell ? cell.textContent.trim() : "";
    const number = Number(text);
    return text === "" ? null : Number.isNaN(number) ? text : number;
  };
  const compare = (a, b) => (typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b)));
  [...table.tHead.rows[0].cells].forEach((head, column) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      for (const body of table.tBodies) {
        const held = [...body.rows].filter((row) => !row.querySelector("[scope=rowgroup]"));
        const rows = held.map((row, place) => [value(row, column), place, row]);
        rows.sort((x, y) => (x[0] === null) - (y[0] === null) || (down ? -1 : 1) * compare(x[0], y[0]) || x[1] - y[1]);
        body.append(...rows.map((row) => row[2]));
      }
    });
  });
}
