"use strict";
/* The table of runs: sorted by any column, filtered by verdict, rows of the depth marked set off. */
(() => {
  const table = document.querySelector("table.runs");
  if (!table) return;
  const body = table.tBodies[0], rows = [...body.rows], heads = [...table.tHead.rows[0].cells];
  const verdictAt = heads.findIndex((head) => head.textContent.trim() === "Verdict");
  const text = (row, n) => row.cells[n].textContent.trim();
  const numeric = (of) => {
    const plain = of.replace(/[\s\u202f\u00a0,]/g, "");
    return /^[-+]?\d/.test(plain) ? parseFloat(plain) : NaN;
  };

  heads.forEach((head, n) => {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.onclick = () => {
      const down = head.getAttribute("aria-sort") === "ascending";
      heads.forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      const sorted = rows.slice().sort((a, b) => {
        const [x, y] = [text(a, n), text(b, n)], [p, q] = [numeric(x), numeric(y)];
        const order = Number.isNaN(p) || Number.isNaN(q) ? x.localeCompare(y, "en", {numeric: true}) : p - q;
        return down ? -order : order;
      });
      body.append(...sorted);
    };
  });

  const verdicts = [...new Set(rows.map((row) => text(row, verdictAt)))].sort();
  const box = document.getElementById("run-filter"), count = document.getElementById("run-count");
  const boxes = verdicts.map((verdict) => {
    const label = document.createElement("label"), input = document.createElement("input");
    Object.assign(input, {type: "checkbox", checked: true, value: verdict, onchange: filter});
    label.append(input, ` ${verdict} (${rows.filter((row) => text(row, verdictAt) === verdict).length})`);
    box.append(label);
    return input;
  });

  function filter() {
    const shown = new Set(boxes.filter((input) => input.checked).map((input) => input.value));
    rows.forEach((row) => { row.hidden = !shown.has(text(row, verdictAt)); });
    count.textContent = `${rows.filter((row) => !row.hidden).length} of ${rows.length} runs shown`;
  }
  filter();

  const depthOf = new Map(JSON.parse(document.getElementById("surfaces").textContent).variants.map((of) => [`${of.pattern}/${of.key}`, of.depth_m]));
  Page.onMark("runs", (depth) => rows.forEach((row) => {
    const own = depthOf.get(`${text(row, 0)}/${text(row, 1)}`);
    row.classList.toggle("marked", depth !== null && own !== undefined && own !== null && Math.abs(own - depth) < 5e-7);
  }));
})();
