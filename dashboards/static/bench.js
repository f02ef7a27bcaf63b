// The bench page: the crank, the heights and the running sweep, as they come.
"use strict";
(() => {
  const main = document.getElementById("bench");
  const byID = id => document.getElementById(id);
  const minus = s => s.replace("-", "−");
  const fold = deg => ((deg % 360) + 360) % 360;
  const put = (node, text) => { if (node && node.textContent !== text) node.textContent = text; };

  let last = null;        // last reading event
  let heardAt = 0;        // when it came, page's own clock, ms
  let due = false;        // a paint is due
  const curves = new Map(); // indicator → {id, cylinder, points: [[deg, mm]…], running}

  // crank shows the angle: on the reference's top where that is known.
  function crank() {
    const d = main.dataset, zero = d.zero === "" ? 0 : Number(d.zero);
    put(byID("angle-of"), d.zeroWord || "");
    if (!last || last.angle_deg === null) { put(byID("angle"), "—"); return; }
    const deg = fold(last.angle_deg * Number(d.sign) - zero);
    put(byID("angle"), (deg >= 359.995 ? 0 : deg).toFixed(2) + "°");
    byID("turn").setAttribute("transform", "rotate(" + (Number(d.hand) * deg).toFixed(2) + ")");
    const tops = JSON.parse(d.tops || "[]") || [];
    let best = null;
    for (const t of tops) {
      const ahead = fold(t.deg - deg);
      if (!best || ahead < best.ahead - 0.5) best = { ahead, n: [t.n] };
      else if (Math.abs(ahead - best.ahead) <= 0.5) best.n.push(t.n);
    }
    put(byID("next-top"), best ? "next top: " + best.n.join(" and ") + " in " + best.ahead.toFixed(best.ahead < 10 ? 1 : 0) + "°" : "");
  }

  const age = s => s === null ? "nothing heard yet" : s < 1 ? "now" : s < 120 ? Math.round(s) + " s ago" : Math.round(s / 60) + " min ago";

  // heights and states; ages go on while nothing comes.
  function instruments() {
    if (!last) return;
    const since = (performance.now() - heardAt) / 1000;
    const mute = since > 4; // the program itself does not answer
    const state = (node, word, text) => show(node, mute ? "lost" : word, mute ? "no news for " + Math.round(since) + " s" : text);
    const m = last.last_motion;
    if (m && m.direction) put(byID("last-motion"), "Last motion: " + m.moved_deg.toFixed(1) + "°, counts " + (m.direction > 0 ? "up" : "down") + ".");
    state(byID("encoder-state"), last.encoder_state, "encoder " + last.encoder_state);
    put(byID("angle-state"), mute || last.encoder_state !== "live" ? "last known" : "");
    for (const i of last.indicators) {
      const card = main.querySelector('.probe[data-name="' + CSS.escape(i.name) + '"]');
      if (!card) continue;
      put(card.querySelector(".value"), i.height_mm === null ? "—" : minus(i.height_mm.toFixed(3)));
      put(card.querySelector(".age"), age(i.age_s === null ? null : i.age_s + since));
      state(card.querySelector(".state"), i.state, i.state);
      card.classList.toggle("stale", mute || i.state !== "live");
    }
  }

  // ask when no event came for a while: a bench that nobody reads is
  // silent too.
  let asking = false;
  async function ask() {
    if (asking) return;
    asking = true;
    try {
      const answer = await fetch("/api/v1/bench");
      if (answer.ok) reading(await answer.json());
    } catch (e) { /* instruments() says so */ } finally { asking = false; }
  }

  function show(node, state, text) {
    if (node && node.dataset.state !== state) node.dataset.state = state;
    put(node, text);
  }

  // The curve of each indicator's sweep, drawn from what was heard.
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

  function drawCurves() {
    const all = [...curves.values()].filter(c => c.points.length > 1);
    const grid = byID("curve-grid"), lines = byID("curve-lines");
    if (!all.length) { lines.replaceChildren(); grid.replaceChildren(); return; }
    let [x0, x1, y0, y1] = [Infinity, -Infinity, Infinity, -Infinity];
    const drawn = all.map(c => ({ ...c, ...sorted(c.points) }));
    for (const c of drawn) for (const [x, y] of c.good) {
      x0 = Math.min(x0, x); x1 = Math.max(x1, x); y0 = Math.min(y0, y); y1 = Math.max(y1, y);
    }
    const wide = Math.max(x1 - x0, 2), tall = Math.max(y1 - y0, 0.05);
    const X = v => box.x + 8 + (v - x0) / wide * (box.w - 16), Y = v => box.y + box.h - 12 - (v - y0) / tall * (box.h - 24);
    const marks = [];
    const sx = nice(wide / 8), sy = nice(tall / 5);
    for (let v = Math.ceil(x0 / sx) * sx; v <= x0 + wide; v += sx)
      marks.push(svg("line", { class: "grid", x1: X(v), x2: X(v), y1: box.y, y2: box.y + box.h }),
        svg("text", { class: "soft", x: X(v), y: box.y + box.h + 16, "text-anchor": "middle" }, minus(String(+v.toFixed(1)))));
    for (let v = Math.ceil(y0 / sy) * sy; v <= y0 + tall; v += sy)
      marks.push(svg("line", { class: "grid", x1: box.x, x2: box.x + box.w, y1: Y(v), y2: Y(v) }),
        svg("text", { class: "soft", x: box.x - 6, y: Y(v) + 4, "text-anchor": "end" }, minus(String(+v.toFixed(3)))));
    grid.replaceChildren(...marks);
    lines.replaceChildren(...drawn.flatMap((c, n) => {
      const [x, y] = c.good[c.good.length - 1];
      return [...c.wild.map(([x, y]) => svg("path", { class: "out", d: "M" + (X(x) - 4) + " " + (Y(Math.min(Math.max(y, y0), y1)) - 4) + "l8 8m0 -8l-8 8" })),
        svg("polyline", { class: "curve" + (n ? " back" : ""), points: c.good.map(p => X(p[0]).toFixed(1) + "," + Y(p[1]).toFixed(1)).join(" ") }),
        svg("circle", { class: c.running ? "pen" : "pt", cx: X(x), cy: Y(y), r: 5 })];
    }));
  }

  function title() {
    const all = [...curves.values()];
    const running = all.filter(c => c.running);
    const text = (running.length ? running : all).map(c => "cylinder " + c.cylinder).join(" and ");
    put(byID("curve-title"), running.length ? "Sweeping " + text : all.length ? "Last sweep: " + text : "No sweep is running");
  }

  function paint() {
    due = false;
    crank();
    instruments();
    drawCurves();
  }
  const paintSoon = () => { if (!due) { due = true; requestAnimationFrame(paint); } };

  // angleAt is the crank angle when a height came: the newest angle is later.
  const angles = [];
  function angleAt(t) {
    for (let n = angles.length - 1; n > 0; n--) {
      const [t0, a0] = angles[n - 1], [t1, a1] = angles[n];
      if (t >= t0 && t1 > t0) return a0 + (a1 - a0) * Math.min(1, (t - t0) / (t1 - t0));
    }
    return null;
  }

  const words = e => [e.encoder_state, ...e.indicators.flatMap(i => [i.state, i.cylinder])].join();

  function reading(e) {
    if (last && words(last) !== words(e)) freshSoon(); // what to do next depends on it
    last = e;
    heardAt = performance.now();
    if (e.angle_deg !== null) angles.push([e.t_s - (e.angle_age_s || 0), e.angle_deg]);
    if (angles.length > 120) angles.shift();
    for (const i of e.indicators) {
      const c = curves.get(i.name), at = e.t_s - i.age_s;
      if (!c || !c.running || !i.contact || i.height_mm === null || !(at > c.at + 0.001)) continue; // the same height, told again
      c.at = at;
      const deg = angleAt(at);
      if (deg !== null) c.points.push([deg * Number(main.dataset.sign), i.height_mm]);
      if (c.points.length > 4000) c.points = c.points.filter((_, n) => n % 2);
    }
    paintSoon();
  }

  function sweep(e) {
    const c = curves.get(e.indicator);
    const begun = e.state === "running" && (!c || c.id !== e.id), ended = e.state !== "running";
    if (begun) begin(e);
    if (ended && c && c.id === e.id) c.running = false;
    title();
    if (begun || ended) freshSoon(); // not at each word of one that goes on
  }

  function begin(e) {
    for (const [name, c] of curves) if (!c.running) curves.delete(name);
    curves.set(e.indicator, { id: e.id, cylinder: e.cylinder, points: [], at: -1, running: true });
    stored(e.id, e.indicator).catch(() => {});
  }

  // stored fetches what a sweep holds already: it began before this page knew.
  async function stored(id, indicator) {
    const answer = await fetch("/api/v1/sweeps/" + id + "/samples.csv");
    if (!answer.ok) return;
    const rows = (await answer.text()).trim().split("\n").map(l => l.split(","));
    const at = rows[0].indexOf("angle_deg"), mm = rows[0].indexOf("height_mm"), c = curves.get(indicator);
    const past = rows.slice(1).filter(r => r[at] && r[mm]).map(r => [Number(r[at]), Number(r[mm])]);
    if (c && c.id === id) { c.points = past.concat(c.points); paintSoon(); }
  }

  let stream = null;
  function listen() {
    stream = new EventSource("/api/v1/live");
    stream.onopen = () => { main.dataset.live = "yes"; freshSoon(); }; // what began unheard is caught up with
    stream.onerror = () => { main.dataset.live = "no"; };
    const on = (name, f) => stream.addEventListener(name, e => f(JSON.parse(e.data)));
    on("reading", reading);
    on("sweep", sweep);
    on("notice", freshSoon);
    on("gap", freshSoon);
  }
  document.addEventListener("visibilitychange", () => {
    if (stream) stream.close();
    stream = null;
    if (!document.hidden) { listen(); freshSoon(); }
  });
  // known brings the curves in line with what the page says is running.
  function known() {
    const running = JSON.parse(main.dataset.running || "[]") || [];
    for (const r of running) if (curves.get(r.indicator)?.id !== r.id) begin(r);
    for (const c of curves.values()) c.running = running.some(r => r.id === c.id);
    title();
    paintSoon();
  }
  document.addEventListener("fresh", known);
  setInterval(() => {
    instruments();
    if (!document.hidden && performance.now() - heardAt > 1500) ask();
  }, 500);
  setInterval(() => { if (!document.hidden) freshSoon(); }, 20000); // notices pass by themselves
  ask();
  known();
  if (!document.hidden) listen();
})();
