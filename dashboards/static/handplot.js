// HandPlot: the pairs of a sweep that is read by hand, as they come. Those taken
// back are crosses.
"use strict";
const HandPlot = (() => {
  const box = { x: 62, y: 10, w: 486, h: 258 };
  const minus = s => s.replace("-", "−");
  const nice = v => { const b = 10 ** Math.floor(Math.log10(v)); return [1, 2, 5, 10].map(m => m * b).find(s => s >= v * (1 - 1e-9)); };
  function svg(name, attributes, text) {
    const n = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [k, v] of Object.entries(attributes)) n.setAttribute(k, v);
    if (text !== undefined) n.textContent = text;
    return n;
  }
  const ticks = (from, to, count) => {
    const step = nice((to - from) / count), out = [];
    for (let n = Math.ceil(from / step - 1e-9); n * step <= to + 1e-9; n++) out.push(+(n * step).toFixed(6));
    return out;
  };

  // draw shows [degrees, height shown, taken back] over the marks from one degree
  // to another, which are there before they are read.
  function draw(root, points, from, to) {
    const good = points.filter(p => !p[2]), xs = points.map(p => p[0]).concat(from, to), ys = good.length ? good.map(p => p[1]) : [0];
    const x0 = Math.min(...xs), x1 = Math.max(...xs), low = Math.min(...ys), tall = Math.max(Math.max(...ys) - low, 1e-3);
    const X = v => box.x + 10 + (v - x0) / Math.max(x1 - x0, 1) * (box.w - 20);
    const Y = v => box.y + box.h - 14 - (Math.min(Math.max(v, low), low + tall) - low) / tall * (box.h - 28);
    const parts = [svg("rect", { class: "frame", x: box.x, y: box.y, width: box.w, height: box.h })];
    for (const v of ticks(x0, x1, 8)) parts.push(svg("line", { class: "grid", x1: X(v), x2: X(v), y1: box.y, y2: box.y + box.h }),
      svg("text", { class: "soft", x: X(v), y: box.y + box.h + 20, "text-anchor": "middle" }, minus(String(v))));
    if (good.length > 1) for (const v of ticks(low, low + tall, 5)) parts.push(svg("line", { class: "grid", x1: box.x, x2: box.x + box.w, y1: Y(v), y2: Y(v) }),
      svg("text", { class: "soft", x: box.x - 6, y: Y(v) + 5, "text-anchor": "end" }, minus(String(v))));
    parts.push(svg("polyline", { class: "curve", points: good.map(p => X(p[0]).toFixed(1) + "," + Y(p[1]).toFixed(1)).join(" ") }));
    points.forEach(p => parts.push(p[2] ? svg("path", { class: "out", d: "M" + (X(p[0]) - 5) + " " + (Y(p[1]) - 5) + "l10 10m0 -10l-10 10" })
      : svg("circle", { class: p === good[good.length - 1] ? "pen" : "pt", cx: X(p[0]), cy: Y(p[1]), r: p === good[good.length - 1] ? 6 : 4 })));
    root.replaceChildren(...parts);
  }
  return { draw, minus };
})();
