// Curve: the running sweep as it comes, and the ruler that fills where
// readings lie.
"use strict";
const Curve = (() => {
  const inch = document.documentElement.dataset.length === "in";
  const shown = mm => inch ? mm / 25.4 : mm;
  const minus = s => s.replace("-", "−");
  const box = { x: 58, y: 12, w: 648, h: 250 };
  const nice = v => { const b = 10 ** Math.floor(Math.log10(v)); return [1, 2, 5, 10].map(m => m * b).find(s => s >= v * (1 - 1e-9)); };
  const svg = (name, attributes, text) => {
    const n = document.createElementNS("http://www.w3.org/2000/svg", name);
    for (const [k, v] of Object.entries(attributes)) n.setAttribute(k, v);
    if (text !== undefined) n.textContent = text;
    return n;
  };

  // sorted keeps wild readings from squeezing the curve: they are shown as
  // crosses at the edge. The fit judges for itself.
  function sorted(points) {
    const good = [], wild = [];
    points.forEach((p, n) => {
      const near = [points[n - 1] || p, p, points[n + 1] || points[n - 1] || p].map(q => q[1]).sort((a, b) => a - b);
      (Math.abs(p[1] - near[1]) > 0.5 && points.length > 2 ? wild : good).push(p);
    });
    return { good: good.length ? good : points, wild };
  }

  // thinned are few enough points for a screen.
  const thinned = points => { const n = Math.ceil(points.length / 360); return n < 2 ? points : points.filter((_, i) => i % n === 0 || i === points.length - 1); };

  // draw puts the curves [{points, running}] into the page's two groups.
  function draw(curves, grid, lines) {
    const all = curves.filter(c => c.points.length > 1);
    if (!all.length) { lines.replaceChildren(); grid.replaceChildren(); return; }
    let [x0, x1, y0, y1] = [Infinity, -Infinity, Infinity, -Infinity];
    const drawn = all.map(c => ({ ...c, ...sorted(thinned(c.points)) }));
    for (const c of drawn) for (const [x, y] of c.good) {
      x0 = Math.min(x0, x); x1 = Math.max(x1, x); y0 = Math.min(y0, shown(y)); y1 = Math.max(y1, shown(y));
    }
    const wide = Math.max(x1 - x0, 2), tall = Math.max(y1 - y0, shown(0.05));
    const X = v => box.x + 8 + (v - x0) / wide * (box.w - 16), Y = v => box.y + box.h - 12 - (v - y0) / tall * (box.h - 24);
    const marks = [], sx = nice(wide / 8), sy = nice(tall / 5);
    for (let v = Math.ceil(x0 / sx) * sx; v <= x0 + wide; v += sx)
      marks.push(svg("line", { class: "grid", x1: X(v), x2: X(v), y1: box.y, y2: box.y + box.h }),
        svg("text", { class: "soft", x: X(v), y: box.y + box.h + 16, "text-anchor": "middle" }, minus(String(+v.toFixed(1)))));
    for (let v = Math.ceil(y0 / sy) * sy; v <= y0 + tall; v += sy)
      marks.push(svg("line", { class: "grid", x1: box.x, x2: box.x + box.w, y1: Y(v), y2: Y(v) }),
        svg("text", { class: "soft", x: box.x - 6, y: Y(v) + 4, "text-anchor": "end" }, minus(String(+v.toFixed(4)))));
    grid.replaceChildren(...marks);
    lines.replaceChildren(...drawn.flatMap((c, n) => {
      const [x, y] = c.good[c.good.length - 1];
      return [...c.wild.map(([x, y]) => svg("path", { class: "out", d: "M" + (X(x) - 4) + " " + (Y(Math.min(Math.max(shown(y), y0), y1)) - 4) + "l8 8m0 -8l-8 8" })),
        svg("polyline", { class: "curve" + (n ? " back" : ""), points: c.good.map(p => X(p[0]).toFixed(1) + "," + Y(shown(p[1])).toFixed(1)).join(" ") }),
        svg("circle", { class: c.running ? "pen" : "pt", cx: X(x), cy: Y(shown(y)), r: 5 })];
    }));
  }

  // topOf estimates where a running sweep's top was: the middle between its
  // newest reading and the one of the same height on the way up. null before
  // the curve falls.
  function topOf(points) {
    if (points.length < 8) return null;
    const h = points[points.length - 1][1];
    let best = points[0];
    for (const p of points) if (p[1] > best[1]) best = p;
    if (best[1] - h < 0.03 || points[0][1] > h) return null;
    for (let n = points.indexOf(best); n > 0; n--) {
      const [a, b] = [points[n - 1], points[n]];
      if (a[1] <= h && b[1] >= h && b[1] > a[1]) {
        const at = a[0] + (b[0] - a[0]) * (h - a[1]) / (b[1] - a[1]);
        return (at + points[points.length - 1][0]) / 2;
      }
    }
    return null;
  }

  // ruler is one cylinder's: two rows of cells, forward above, back below, the
  // pointer where the crank is.
  function ruler(host, words) {
    const W = 1000, H = 118, half = 30, X = d => W / 2 + d / half * (W / 2 - 6);
    const root = svg("svg", { class: "ruler", viewBox: "0 0 " + W + " " + H, role: "img" });
    const cells = { 1: [], "-1": [] };
    for (const way of [1, -1]) for (let d = -half; d < half; d++) {
      const r = svg("rect", { class: "cell" + (way < 0 ? " back" : ""), x: X(d) + 1, width: X(d + 1) - X(d) - 2, y: way > 0 ? 26 : 58, height: 26 });
      cells[way].push(r);
    }
    const ticks = [];
    for (let d = -half; d <= half; d += 5) ticks.push(svg("line", { class: d % 10 ? "tick" : "tick ten", x1: X(d), x2: X(d), y1: 88, y2: d % 10 ? 94 : 98 }),
      ...(d % 10 ? [] : [svg("text", { class: "deg", x: Math.min(Math.max(X(d), 14), W - 14), y: 116, "text-anchor": "middle" }, minus(String(d)))]));
    const aim = svg("path", { class: "aim" }), hand = svg("path", { class: "hand", d: "M0 24l-9 -20h18z M0 24V88", visibility: "hidden" });
    root.append(...cells[1], ...cells["-1"], ...ticks, aim, hand);
    host.append(root);
    return {
      root,
      aim(deg) { aim.setAttribute("d", "M" + X(-deg) + " 20V88M" + X(deg) + " 20V88M" + X(0) + " 20V88"); },
      cover(way, text) { cells[way].forEach((c, n) => c.classList.toggle("on", text[n] === "1")); },
      fill(way, deg) { const c = cells[way][Math.floor(deg + half)]; if (c) c.classList.add("on"); },
      hand(deg) {
        if (deg === null || Math.abs(deg) > half) { hand.setAttribute("visibility", "hidden"); return; }
        hand.setAttribute("visibility", "visible");
        hand.setAttribute("transform", "translate(" + X(deg).toFixed(1) + " 0)");
      },
      say(text) { root.setAttribute("aria-label", text); },
    };
  }

  return { draw, topOf, ruler, shown, minus, inch };
})();
