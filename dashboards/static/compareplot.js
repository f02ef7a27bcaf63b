// Draws compared sweeps: heights, differences and residuals, one under the
// other on one axis of angles, into any canvas (the page's, or one to keep).
"use strict";
const ComparePlot = (() => {
  const floats = list => Float64Array.from(list, v => v === null ? NaN : v);

  // prepare turns the answer's curves into sorted arrays.
  function prepare(doc, rows) {
    const curves = doc.curves.map((c, i) => {
      const row = rows[i], out = { ...row, place: i, drawn: c.not_drawn === null, gap: c.gap_deg };
      if (!out.drawn) return out;
      const left = new Set(c.left_out), order = [];
      for (let k = 0; k < c.x_deg.length; k++) if (!left.has(k)) order.push(k);
      order.sort((a, b) => c.x_deg[a] - c.x_deg[b]);
      const pick = from => Float64Array.from(order, k => from[k]);
      out.x = pick(c.x_deg); out.height = pick(c.height_mm); out.residual = pick(c.residual_mm);
      out.outX = floats(c.left_out.map(k => c.x_deg[k])); out.outResidual = floats(c.left_out.map(k => c.residual_mm[k]));
      out.grid = { height: floats(c.grid_height_mm), difference: c.against === null ? null : floats(c.grid_difference_mm), residual: floats(c.grid_residual_mm) };
      return out;
    });
    const g = doc.grid;
    return { curves, from: g.from_deg, step: g.step_deg, points: g.points, lo: g.from_deg, hi: g.from_deg + Math.max(1, g.points - 1) * g.step_deg };
  }

  const nice = v => {
    if (!(v > 0) || !Number.isFinite(v)) return 1;
    const base = 10 ** Math.floor(Math.log10(v));
    return [1, 2, 5, 10].map(m => m * base).find(s => s >= v * (1 - 1e-9));
  };
  const fixed = (v, decimals) => {
    const s = Math.abs(v).toFixed(decimals);
    return (v < 0 && Number(s) !== 0 ? "−" : "") + s;
  };
  const tickText = (v, step) => fixed(v, Math.max(0, -Math.floor(Math.log10(step) + 1e-9)));
  function ticks(lo, hi, n) {
    const step = nice((hi - lo) / n), out = [];
    for (let k = Math.ceil(lo / step - 1e-9); k * step <= hi + 1e-9 * step; k++) out.push(k * step);
    return { step, at: out };
  }

  // The window's part of the grid.
  function cells(d, view) {
    const a = Math.max(0, Math.ceil((view.lo - d.from) / d.step - 1e-9)), b = Math.min(d.points - 1, Math.floor((view.hi - d.from) / d.step + 1e-9));
    return [a, b];
  }

  function spanOf(d, view, name, times, even) {
    const [a, b] = cells(d, view);
    let lo = Infinity, hi = -Infinity;
    const sizes = [];
    for (const c of d.curves) {
      const v = c.drawn && c.grid[name];
      if (!v) continue;
      for (let k = a; k <= b; k++) {
        if (Number.isNaN(v[k])) continue;
        if (even) sizes.push(Math.abs(v[k] * times));
        else { lo = Math.min(lo, v[k] * times); hi = Math.max(hi, v[k] * times); }
      }
    }
    if (even) {
      if (!sizes.length) return [-1, 1];
      const s = Float64Array.from(sizes).sort(), most = nice(Math.max(times === 1000 ? 1 : .05, 1.2 * s[Math.floor(s.length * .99)]));
      return [-most, most];
    }
    if (!(hi >= lo)) return [-1, 1];
    const margin = Math.max(.06 * (hi - lo), 1e-4);
    return [lo - margin, hi + margin];
  }

  // layout places the three cuts in a canvas of this size.
  function layout(w, h) {
    const narrow = w < 560, left = narrow ? 78 : 92, right = w - (narrow ? 30 : 40), room = h - 3 * 26 - 44;
    const heights = Math.round(room * .5), difference = Math.round(room * .28);
    let y = 26;
    const cut = size => { const c = [y, y + size]; y += size + 26; return c; };
    return { left, right, narrow, cuts: [cut(heights), cut(difference), cut(room - heights - difference)], axis: h - 44 };
  }

  // paint draws everything but the cursor. o: w, h, view {lo, hi}, ink,
  // unit {length, per, rest, times}, on, loud (place of the curve that is looked at, or −1).
  function paint(ctx, d, o) {
    const lay = layout(o.w, o.h), x = v => lay.left + (v - o.view.lo) / (o.view.hi - o.view.lo) * (lay.right - lay.left);
    ctx.clearRect(0, 0, o.w, o.h);
    ctx.fillStyle = o.ink.sheet; ctx.fillRect(0, 0, o.w, o.h);
    ctx.font = `${o.font || 12}px ${o.ink.font}`;
    const cuts = [
      { name: "height", title: `${t("height above the top")}, ${o.unit.length}`, times: o.unit.per, even: false },
      { name: "difference", title: `${t("difference")}, ${o.unit.rest}`, times: o.unit.times, even: true },
      { name: "residual", title: `${t("what the crank model leaves")}, ${o.unit.rest}`, times: o.unit.times, even: true }];
    const angles = ticks(o.view.lo, o.view.hi, lay.narrow ? 6 : 12);
    cuts.forEach((c, i) => {
      const [top, bottom] = lay.cuts[i], [lo, hi] = spanOf(d, o.view, c.name, c.times, c.even);
      const y = v => bottom - (v - lo) / (hi - lo) * (bottom - top);
      frame(ctx, o, lay, c, angles, x, y, lo, hi, top, bottom);
      curves(ctx, d, o, lay, c, x, y, top, bottom);
    });
    ctx.fillStyle = o.ink.soft; ctx.textAlign = "center";
    for (const v of angles.at) ctx.fillText(tickText(v, angles.step), x(v), lay.axis + 16);
    ctx.textAlign = "right";
    ctx.fillText(t(o.on === "nominal" ? "degrees after its nominal top" : "degrees after its own top"), lay.right, lay.axis + 36);
    return lay;
  }

  function frame(ctx, o, lay, c, angles, x, y, lo, hi, top, bottom) {
    const levels = ticks(lo, hi, bottom - top > 150 ? 5 : 3);
    ctx.lineWidth = 1; ctx.setLineDash([]); ctx.strokeStyle = o.ink.faint; ctx.beginPath();
    for (const v of levels.at) { ctx.moveTo(lay.left, y(v)); ctx.lineTo(lay.right, y(v)); }
    for (const v of angles.at) { ctx.moveTo(x(v), top); ctx.lineTo(x(v), bottom); }
    ctx.stroke();
    ctx.strokeStyle = o.ink.soft;
    if (o.view.lo < 0 && o.view.hi > 0) { ctx.setLineDash([5, 3]); ctx.beginPath(); ctx.moveTo(x(0), top); ctx.lineTo(x(0), bottom); ctx.stroke(); ctx.setLineDash([]); }
    ctx.strokeRect(lay.left, top, lay.right - lay.left, bottom - top);
    ctx.fillStyle = o.ink.soft; ctx.textAlign = "right";
    for (const v of levels.at) ctx.fillText(tickText(v, levels.step), lay.left - 36, y(v) + 4);
    ctx.textAlign = "left"; ctx.fillText(c.title, lay.left, top - 8);
  }

  function curves(ctx, d, o, lay, c, x, y, top, bottom) {
    const ends = [[], []];
    ctx.save();
    ctx.beginPath(); ctx.rect(lay.left, top, lay.right - lay.left, bottom - top); ctx.clip();
    ctx.lineJoin = "bevel";
    for (const curve of d.curves) {
      if (!curve.drawn || !curve.grid[c.name]) continue;
      const quiet = o.loud >= 0 && o.loud !== curve.place;
      ctx.strokeStyle = ctx.fillStyle = o.ink.curves[curve.place];
      if (c.name === "residual") dots(ctx, d, o, curve, c, x, y, top, bottom, quiet);
      ctx.globalAlpha = quiet ? .18 : 1; ctx.lineWidth = o.loud === curve.place ? 3 : 1.5; ctx.setLineDash(curve.dash);
      const end = trace(ctx, d, o, curve, c, x, y, top, bottom);
      if (end !== null) ends[curve.place % 2].push({ y: end, letter: curve.letter, loud: o.loud === curve.place });
      ctx.setLineDash([]); ctx.globalAlpha = 1;
    }
    ctx.restore();
    letters(ctx, o, ends[0], lay.right, 1, top, bottom);
    letters(ctx, o, ends[1], lay.left, -1, top, bottom);
  }

  // trace draws heights from the readings themselves, the others from the grid,
  // one mean a pixel where they stand closer; it returns the end's place.
  function trace(ctx, d, o, curve, c, x, y, top, bottom) {
    let end = null, last = -Infinity, first = true;
    const clamp = v => Math.min(bottom, Math.max(top, v));
    const to = (angle, v, gap) => {
      const px = x(angle), py = clamp(y(v * c.times));
      if (angle - last > gap) ctx.moveTo(px, py); else ctx.lineTo(px, py);
      if (curve.place % 2 === 0 || first) end = py;
      last = angle; first = false;
    };
    ctx.beginPath();
    if (c.name === "height") means(curve, o.view, (o.view.hi - o.view.lo) / o.w, (angle, v) => to(angle, v, curve.gap));
    else {
      const v = curve.grid[c.name], [a, b] = cells(d, o.view), many = Math.max(1, Math.round(1.5 * (o.view.hi - o.view.lo) / o.w / d.step));
      for (let k = a; k <= b; k += many) {
        let n = 0, sum = 0;
        for (let i = k; i < Math.min(k + many, b + 1); i++) if (!Number.isNaN(v[i])) { n++; sum += v[i]; }
        if (n) to(d.from + (k + (many - 1) / 2) * d.step, sum / n, (many + .5) * d.step);
      }
    }
    ctx.stroke();
    return end;
  }

  function means(curve, view, perPixel, f) {
    let at = lower(curve.x, view.lo);
    const stop = lower(curve.x, view.hi);
    while (at < stop) {
      const until = curve.x[at] + perPixel;
      let n = 0, sx = 0, sv = 0;
      for (; at < stop && (n === 0 || curve.x[at] < until); at++) { n++; sx += curve.x[at]; sv += curve.height[at]; }
      f(sx / n, sv / n);
    }
  }

  function lower(list, v) {
    let a = 0, b = list.length;
    while (a < b) { const m = (a + b) >> 1; if (list[m] < v) a = m + 1; else b = m; }
    return a;
  }

  const mostDots = 8000; // more of them hide each other, and the lines
  function dots(ctx, d, o, curve, c, x, y, top, bottom, quiet) {
    ctx.globalAlpha = quiet ? .08 : .4;
    const from = lower(curve.x, o.view.lo), until = lower(curve.x, o.view.hi), all = (until - from) * d.curves.length <= mostDots;
    for (let i = from; all && i < until; i++) {
      const py = y(curve.residual[i] * c.times);
      if (py >= top && py <= bottom) ctx.fillRect(x(curve.x[i]) - .8, py - .8, 1.6, 1.6);
    }
    ctx.lineWidth = 1.2; ctx.setLineDash([]); ctx.beginPath();
    curve.outX.forEach((v, i) => {
      if (v < o.view.lo || v > o.view.hi) return;
      const px = x(v), py = Math.min(bottom - 4, Math.max(top + 4, y(curve.outResidual[i] * c.times)));
      ctx.moveTo(px - 3, py - 3); ctx.lineTo(px + 3, py + 3); ctx.moveTo(px - 3, py + 3); ctx.lineTo(px + 3, py - 3);
    });
    ctx.stroke();
  }

  // letters stand at the curves' ends, pushed apart, each with a line to its end.
  function letters(ctx, o, ends, edge, way, top, bottom) {
    if (ends.length * 10 > bottom - top) ends = ends.filter(e => e.loud); // too many to be read
    ends.sort((a, b) => a.y - b.y);
    const room = Math.min(13, (bottom - top) / Math.max(1, ends.length));
    let at = top;
    ctx.textAlign = way > 0 ? "left" : "right"; ctx.lineWidth = .7;
    ends.forEach((e, i) => {
      at = Math.max(at, Math.min(e.y, bottom - room * (ends.length - 1 - i)));
      ctx.strokeStyle = o.ink.soft; ctx.beginPath(); ctx.moveTo(edge + way, e.y); ctx.lineTo(edge + way * 12, at); ctx.stroke();
      ctx.fillStyle = o.ink.ink; ctx.font = `bold ${(o.font || 12) + (e.loud ? 3 : 0)}px ${o.ink.font}`;
      ctx.fillText(e.letter, edge + way * 14, at + 4);
      at += room;
    });
    ctx.font = `${o.font || 12}px ${o.ink.font}`;
  }

  return { prepare, paint, layout, fixed };
})();
