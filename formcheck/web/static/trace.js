// The movement over time, drawn to the width it has; repetitions can be chosen in it.
const SVG = "http://www.w3.org/2000/svg";

function make(name, attributes, text) {
  const element = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  return element;
}

function step(span, most, steps) {
  return steps.find((s) => span / s <= most) || steps[steps.length - 1];
}

export class Trace {
  constructor(box, trace, repetitions, notes, chosen, scrubbed) {
    this.box = box;
    this.trace = trace;
    this.repetitions = repetitions;
    this.notes = notes;
    this.chosen = chosen;
    this.scrubbed = scrubbed;
    this.factor = trace.unit === "share" ? 100 : 1;
    this.sign = trace.unit === "share" ? "%" : "°";
    new ResizeObserver(() => this.draw()).observe(box);
    this.draw();
  }

  draw() {
    const width = this.box.clientWidth;
    if (!width || width === this.width) return;
    this.width = width;
    const height = matchMedia("(max-width: 34rem)").matches ? 192 : 240;
    const left = 42, right = width - 10, top = 26, bottom = height - 24;
    const { time_s, value, duration_s, bounds } = this.trace;
    const known = value.filter((v) => v !== null).map((v) => v * this.factor);
    for (const b of bounds) known.push(...b.edges.map((e) => e * this.factor));
    let low = Math.min(...known), high = Math.max(...known);
    if (!known.length) { low = 0; high = 90; }
    if (high - low < 10) { low -= 5; high += 5; }
    const each = step(high - low, 5, [1, 2, 5, 10, 15, 20, 30, 45, 60, 90]);
    low = Math.floor(low / each) * each;
    high = Math.ceil(high / each) * each;
    this.x = (t) => left + ((right - left) * Math.min(t, duration_s)) / duration_s;
    const y = (v) => bottom - ((bottom - top) * (v - low)) / (high - low);

    let down = null, isDrag = false;
    const svg = make("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-labelledby": "trace-name" });
    const every = this.repetitions.length * 18 > width ? 5 : 1;
    this.repetitions.forEach((r, i) => {
      const band = make("rect", {
        class: r.isOut ? "rep out" : "rep", x: this.x(r.from), y: top,
        width: Math.max(this.x(r.to) - this.x(r.from), 1), height: bottom - top,
      });
      band.addEventListener("click", (event) => { if (!isDrag) { event.stopPropagation(); this.chosen(r.from, r.to); } });
      svg.append(band);
      if (i % every === 0) {
        svg.append(make("text", { class: "rep-name", x: (this.x(r.from) + this.x(r.to)) / 2, y: top - 9, "text-anchor": "middle" }, r.label));
      }
    });
    for (let v = low; v <= high + each / 1000; v += each) {
      svg.append(make("line", { class: "rule", x1: left, x2: right, y1: y(v), y2: y(v) }));
      svg.append(make("text", { x: left - 6, y: y(v) + 4, "text-anchor": "end" }, `${v}${this.sign}`.replace("-", "−")));
    }
    const tick = step(duration_s, Math.max(2, width / 60), [0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300]);
    for (let t = 0; t <= duration_s; t += tick) {
      svg.append(make("text", { x: this.x(t), y: height - 6, "text-anchor": "middle" }, `${t} s`));
    }
    svg.append(make("line", { class: "base", x1: left, x2: right, y1: bottom, y2: bottom }));
    for (const b of bounds) {
      for (const e of b.edges) {
        svg.append(make("line", { class: `edge ${b.kind}`, x1: left, x2: right, y1: y(e * this.factor), y2: y(e * this.factor) }));
      }
    }
    let run = [];
    const flush = () => {
      if (run.length > 1) svg.append(make("polyline", { class: "line", points: run.join(" ") }));
      run = [];
    };
    value.forEach((v, i) => {
      if (v === null) flush();
      else run.push(`${this.x(time_s[i]).toFixed(1)},${y(v * this.factor).toFixed(1)}`);
    });
    flush();
    for (const b of bounds) { // over the line, which would run through the words
      const at = y(Math.max(...b.edges) * this.factor);
      svg.append(make("text", { class: `edge-name ${b.kind}`, x: right, y: at - 4, "text-anchor": "end" }, `${b.kind}: ${b.words}`));
    }
    for (const at of this.notes) {
      svg.append(make("path", { class: "note-mark", d: `M${this.x(at)} ${bottom}l-5 9h10z` }));
    }
    this.cursor = make("line", { class: "cursor", y1: top, y2: bottom, x1: left, x2: left });
    svg.append(this.cursor);
    // A click on a repetition plays it; a click elsewhere, or a drag anywhere, goes to the moment.
    const moment = (event) => {
      const box = svg.getBoundingClientRect();
      const at = (event.clientX - box.left) * (width / box.width);
      return Math.min(Math.max(((at - left) / (right - left)) * duration_s, 0), duration_s);
    };
    svg.classList.add("trace-slider");
    svg.addEventListener("pointerdown", (event) => { down = event.clientX; isDrag = false; });
    svg.addEventListener("pointermove", (event) => {
      if (down === null || !(event.buttons & 1)) return;
      if (!isDrag && Math.abs(event.clientX - down) < 4) return;
      if (!isDrag) svg.setPointerCapture(event.pointerId);
      isDrag = true;
      this.scrubbed(moment(event));
    });
    svg.addEventListener("pointerup", () => { down = null; });
    svg.addEventListener("click", (event) => {
      if (isDrag) { isDrag = false; event.stopPropagation(); return; }
      this.scrubbed(moment(event));
    });
    this.box.replaceChildren(svg);
    this.follow(this.now || 0);
  }

  follow(now) {
    this.now = now;
    if (!this.cursor) return;
    this.cursor.setAttribute("x1", this.x(now));
    this.cursor.setAttribute("x2", this.x(now));
  }
}
