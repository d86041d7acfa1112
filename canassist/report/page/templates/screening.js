"use strict";
(() => {
  const form = document.getElementById("finder");
  if (!form) return;
  const find = document.getElementById("find");
  const reason = document.getElementById("reason");
  const hits = document.getElementById("hits");
  const tables = [...document.querySelectorAll("table.fleet")];
  const rows = tables.flatMap((table) => [...table.tBodies[0].rows]);
  const texts = new Map();
  const text = (row) => {
    if (!texts.has(row)) texts.set(row, row.textContent.toLowerCase());
    return texts.get(row);
  };
  const show = () => {
    const words = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    const asked = words.length > 0 || reason.value !== "";
    let count = 0;
    for (const row of rows) {
      const fits = words.every((word) => text(row).includes(word)) &&
        row.cells[2].textContent.includes(reason.value);
      row.hidden = !fits;
      count += fits;
    }
    for (const table of tables) {
      const fold = table.closest("details.fold");
      if (fold) fold.open = asked && [...table.tBodies[0].rows].some((row) => !row.hidden);
    }
    hits.textContent = asked ? `${count} of ${rows.length} vehicles` : "";
  };
  let waiting = 0;
  const later = () => { clearTimeout(waiting); waiting = setTimeout(show, 120); };
  find.addEventListener("input", later);
  reason.addEventListener("change", show);
  form.addEventListener("submit", (event) => event.preventDefault());
  const value = (cell) => {
    const plain = cell.textContent.trim().replace("\u2212", "-");
    const number = parseFloat(plain);
    return Number.isNaN(number) || !/^[-+]?[\d.]/.test(plain) ? plain : number;
  };
  const order = (a, b, sign) => {
    if (a === "" || b === "") return (a === "") - (b === "");
    if (typeof a === typeof b) return sign * (a < b ? -1 : a > b ? 1 : 0);
    return typeof a === "number" ? -1 : 1;
  };
  for (const table of tables) {
    [...table.tHead.rows[0].cells].forEach((head, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "sorter";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const body = table.tBodies[0];
        const keyed = [...body.rows].map((row) => [value(row.cells[column]), row]);
        keyed.sort((one, other) => order(one[0], other[0], up ? 1 : -1));
        body.replaceChildren(...keyed.map((pair) => pair[1]));
      });
    });
  }
  const reveal = () => {
    const row = document.getElementById(location.hash.slice(1));
    const fold = row && row.closest && row.closest("details.fold");
    if (fold && !fold.open) { fold.open = true; row.scrollIntoView(); }
  };
  addEventListener("hashchange", reveal);
  reveal();
  form.hidden = false;
})();
