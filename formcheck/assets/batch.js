"use strict";
(() => {
  // Thousands of rows: all are kept in memory, and one page of them stands in the document.
  const PAGE = 100;
  const get = (id) => document.getElementById(id);
  const table = get("clips"), body = table.tBodies[0];
  const heads = Array.from(table.tHead.rows[0].cells);
  const compare = new Intl.Collator(undefined, { numeric: true }).compare;
  const all = Array.from(body.rows, (row) => {
    const text = Array.from(row.cells, (cell) => cell.textContent);
    return { row, text, words: text.join("\n").toLowerCase() };
  });
  const place = new Map(heads.map((head, i) => [head.textContent, i]));
  let shown = all, column = 1, up = true, page = 0;

  function draw() {
    const last = Math.max(0, Math.ceil(shown.length / PAGE) - 1);
    page = Math.min(Math.max(page, 0), last);
    body.replaceChildren(...shown.slice(page * PAGE, (page + 1) * PAGE).map((item) => item.row));
    get("shown").textContent = shown.length === all.length
      ? `All ${all.length} clips` : `${shown.length} of ${all.length} clips`;
    get("page").textContent = `Page ${page + 1} of ${last + 1}`;
    get("pages").hidden = last === 0;
    get("back").disabled = page === 0;
    get("on").disabled = page === last;
  }

  function choose() {
    const words = get("words").value.toLowerCase().split(/\s+/).filter(Boolean);
    const status = get("status").value, exercise = get("exercise").value;
    shown = all.filter((item) =>
      (!status || item.text[place.get("Status")] === status) &&
      (!exercise || item.text[place.get("Exercise")] === exercise) &&
      words.every((word) => item.words.includes(word)));
    page = 0;
    draw();
  }

  function sort(i) {
    up = i === column ? !up : true;
    column = i;
    const isNumber = "number" in heads[i].dataset, sign = up ? 1 : -1;
    all.sort((a, b) => {
      const x = a.text[i], y = b.text[i];
      if (!x || !y) return x ? -1 : y ? 1 : 0; // what is missing stands last, either way
      return sign * (isNumber ? x - y : compare(x, y));
    });
    heads.forEach((head, k) => {
      if (k) head.setAttribute("aria-sort", k !== i ? "none" : up ? "ascending" : "descending");
    });
    choose();
  }

  heads.forEach((head, i) => {
    if (!i) return;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    button.addEventListener("click", () => sort(i));
    head.replaceChildren(button);
  });
  get("filters").addEventListener("input", choose);
  get("filters").addEventListener("submit", (event) => event.preventDefault());
  const turn = (step) => { page += step; draw(); table.scrollIntoView(); };
  get("back").addEventListener("click", () => turn(-1));
  get("on").addEventListener("click", () => turn(1));
  choose(); // a browser may have kept what was typed before
  get("filters").hidden = body.hidden = false;
})();
