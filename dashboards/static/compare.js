// The compare page: links that swap what is chosen without a new page, the
// plot's cursor and zoom by pointer, touch and keys, and the PNG.
"use strict";
(() => {
  const byId = id => document.getElementById(id);
  const inches = document.documentElement.dataset.length === "in";
  const unit = inches ? { length: "in", per: 1 / 25.4, decimals: 5, rest: "0.001 in", times: 1000 / 25.4, restDecimals: 3 }
    : { length: "mm", per: 1, decimals: 4, rest: "µm", times: 1000, restDecimals: 1 };
  const least = 0.5; // degrees: the closest that one can look
  let data = null, view = { lo: -1, hi: 1 }, at = 0, loud = -1, lay = null, pending = 0, cells = [];

  const css = name => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  // A probe resolves light-dark() to a colour that a canvas takes.
  function colour(name) {
    const probe = byId("hair"), was = probe.style.color;
    probe.style.color = `var(${name})`;
    const c = getComputedStyle(probe).color;
    probe.style.color = was;
    return c;
  }
  function inks() {
    const font = getComputedStyle(document.body).fontFamily;
    return { sheet: colour("--sheet"), ink: colour("--ink"), soft: colour("--soft"), faint: colour("--faint"), font,
      curves: [...document.querySelectorAll("#readout .swatch")].map(s => getComputedStyle(s).color) };
  }
  function paperInks(all) {
    const on = ["#173f8a", "#a3241a", "#17613a", "#7b5300", "#17191c"];
    return { ...all, sheet: "#fff", ink: "#000", soft: "#444", faint: "#ddd", curves: all.curves.map((_, i) => on[i % on.length]) };
  }

  // options of a drawing w × h.
  const drawing = (w, h, ink) => ({ w, h, view, ink, unit, loud, on: byId("curves").dataset.axis });

  function draw(ink) {
    if (!data) return;
    const stage = byId("stage"), canvas = byId("canvas"), w = stage.clientWidth, h = stage.clientHeight, dense = devicePixelRatio || 1;
    if (canvas.width !== Math.round(w * dense) || canvas.height !== Math.round(h * dense)) { canvas.width = Math.round(w * dense); canvas.height = Math.round(h * dense); }
    const ctx = canvas.getContext("2d");
    ctx.setTransform(dense, 0, 0, dense, 0, 0);
    lay = ComparePlot.paint(ctx, data, drawing(w, h, ink || inks()));
    show();
  }
  let due = 0;
  const drawSoon = () => { cancelAnimationFrame(due); due = requestAnimationFrame(() => draw()); };

  // show puts the cursor and the figures under it.
  function show() {
    pending = 0;
    if (!data || !lay) return;
    const k = Math.round((at - data.from) / data.step), angle = data.from + k * data.step, hair = byId("hair");
    const x = lay.left + (angle - view.lo) / (view.hi - view.lo) * (lay.right - lay.left);
    hair.style.transform = `translateX(${x}px)`;
    hair.hidden = angle < view.lo - 1e-9 || angle > view.hi + 1e-9;
    const said = ComparePlot.fixed(angle, 2) + "°", spoken = [];
    byId("at").textContent = `${t("Cursor at")} ${said}`;
    for (const c of cells) {
      const put = (cell, v, times, decimals) => { const text = v === undefined || Number.isNaN(v) ? "—" : ComparePlot.fixed(v * times, decimals); if (cell.firstChild.data !== text) cell.firstChild.data = text; return text; };
      const height = put(c.height, c.grid.height[k], unit.per, unit.decimals);
      const apart = put(c.difference, c.grid.difference ? c.grid.difference[k] : NaN, unit.times, unit.restDecimals);
      put(c.residual, c.grid.residual[k], unit.times, unit.restDecimals);
      if (spoken.length < 4) spoken.push(`${c.letter} ${height === "—" ? t("nothing there") : height + " " + unit.length}${apart === "—" ? "" : `, ${t("difference")} ${apart} ${unit.rest}`}`);
    }
    const stage = byId("stage");
    stage.setAttribute("aria-valuenow", angle.toFixed(3));
    stage.setAttribute("aria-valuetext", [said, ...spoken].join("; "));
  }
  function cursor(angle) {
    at = Math.min(Math.max(angle, data.lo), data.hi);
    if (!pending) pending = requestAnimationFrame(show);
  }

  // look shows lo to hi, kept in the address.
  let kept = 0;
  function look(lo, hi) {
    const whole = data.hi - data.lo, width = Math.min(Math.max(hi - lo, Math.min(least, whole)), whole);
    lo = Math.min(Math.max((lo + hi - width) / 2, data.lo), data.hi - width);
    view = { lo, hi: lo + width };
    draw();
    clearTimeout(kept);
    kept = setTimeout(keep, 250);
  }
  function keep() {
    const q = new URLSearchParams(location.search), all = view.hi - view.lo > data.hi - data.lo - 1e-6;
    for (const [key, v] of [["from", view.lo], ["to", view.hi]]) if (all) q.delete(key); else q.set(key, String(Math.round(v * 1000) / 1000));
    const text = q.toString().replaceAll("%2C", ",");
    history.replaceState(history.state, "", location.pathname + "?" + text);
    byId("svg").href = "/api/v1/compare.svg?" + text;
  }
  function zoom(times, about = inView(at) ? at : (view.lo + view.hi) / 2) {
    look(about - (about - view.lo) * times, about + (view.hi - about) * times);
  }
  const inView = v => v >= view.lo && v <= view.hi;
  function pan(share) { const d = share * (view.hi - view.lo); look(view.lo + d, view.hi + d); }
  function step(times) {
    cursor(at + times * Math.max(data.step, (view.hi - view.lo) / 400));
    if (at < view.lo) look(at, at + view.hi - view.lo);
    if (at > view.hi) look(at - view.hi + view.lo, at);
  }

  // edge is where the canvas begins, in the window.
  const edge = () => byId("stage").getBoundingClientRect().left + byId("stage").clientLeft;
  const angleAt = e => view.lo + (e.clientX - edge() - lay.left) / (lay.right - lay.left) * (view.hi - view.lo);
  const own = on => { const s = byId("stage"); if (on) { s.dataset.ownArrows = ""; byId("said").textContent = t("Arrows move the cursor; Enter gives them back."); } else { delete s.dataset.ownArrows; byId("said").textContent = ""; } };

  function keys(e) {
    if (e.ctrlKey || e.altKey || e.metaKey || !data) return;
    const mine = "ownArrows" in byId("stage").dataset, far = e.shiftKey ? 10 : 1;
    const acts = { "+": () => zoom(.5), "=": () => zoom(.5), "-": () => zoom(2), "0": () => look(data.lo, data.hi), Enter: () => own(!mine) };
    if (mine) Object.assign(acts, { ArrowLeft: () => step(-far), ArrowRight: () => step(far), PageDown: () => step(-20), PageUp: () => step(20), Home: () => cursor(view.lo), End: () => cursor(view.hi), Escape: () => own(false), Backspace: () => own(false) });
    if (!acts[e.key]) return;
    e.preventDefault(); e.stopPropagation();
    acts[e.key]();
  }

  // One finger or the mouse moves the cursor, two fingers zoom.
  const fingers = new Map();
  let pinch = null;
  function pointers(stage) {
    const move = e => {
      if (!data) return;
      if (fingers.has(e.pointerId)) fingers.set(e.pointerId, e.clientX);
      if (fingers.size === 2) pinched(); else if (fingers.size < 2) cursor(angleAt(e));
    };
    stage.addEventListener("pointerdown", e => {
      if (!data) return;
      fingers.set(e.pointerId, e.clientX);
      pinch = fingers.size === 2 ? { view, xs: [...fingers.values()] } : null;
      own(true);
      move(e);
    });
    stage.addEventListener("pointermove", move);
    for (const end of ["pointerup", "pointercancel", "pointerleave"]) stage.addEventListener(end, e => { fingers.delete(e.pointerId); pinch = null; });
    stage.addEventListener("wheel", e => { if (e.ctrlKey && data) { e.preventDefault(); zoom(Math.exp(e.deltaY / 200), angleAt(e)); } }, { passive: false });
    stage.addEventListener("dblclick", e => data && zoom(.5, angleAt(e)));
  }
  function pinched() {
    if (!pinch) return;
    const [a, b] = pinch.xs, [p, q] = [...fingers.values()], from = edge() + lay.left;
    const was = x => pinch.view.lo + (x - from) / (lay.right - lay.left) * (pinch.view.hi - pinch.view.lo);
    const times = Math.max(20, Math.abs(a - b)) / Math.max(20, Math.abs(p - q)), width = (pinch.view.hi - pinch.view.lo) * times;
    const share = ((p + q) / 2 - from) / (lay.right - lay.left), middle = was((a + b) / 2);
    look(middle - share * width, middle + (1 - share) * width);
  }

  async function png() {
    const rows = [...document.querySelectorAll("#readout tbody tr")], w = 1120, h = 720, head = 44, foot = 24 + 19 * Math.ceil(rows.length / 2), dense = 2;
    const sheet = document.createElement("canvas"), part = document.createElement("canvas"), ink = paperInks(inks());
    sheet.width = w * dense; sheet.height = (h + head + foot) * dense; part.width = w * dense; part.height = h * dense;
    const ctx = sheet.getContext("2d"), inner = part.getContext("2d");
    inner.scale(dense, dense);
    ComparePlot.paint(inner, data, { ...drawing(w, h, ink), loud: -1 });
    ctx.fillStyle = ink.sheet; ctx.fillRect(0, 0, sheet.width, sheet.height);
    ctx.drawImage(part, 0, head * dense);
    ctx.scale(dense, dense);
    ctx.fillStyle = ink.ink; ctx.font = `bold 16px ${ink.font}`; ctx.fillText(byId("curves").dataset.title, 14, 28);
    if (byId("curves").dataset.simulated === "true") { ctx.textAlign = "right"; ctx.fillText(t("SIMULATED: no real crank"), w - 14, 28); ctx.textAlign = "left"; }
    rows.forEach((row, i) => legend(ctx, ink, row.dataset, i, 14 + (i % 2) * w / 2, head + h + 14 + 19 * Math.floor(i / 2)));
    const blob = await new Promise(done => sheet.toBlob(done, "image/png"));
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob); link.download = "compare.png"; link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
  function legend(ctx, ink, row, i, x, y) {
    ctx.font = `bold 12px ${ink.font}`; ctx.fillStyle = ink.ink; ctx.fillText(row.letter, x, y);
    ctx.strokeStyle = ink.curves[i]; ctx.lineWidth = 1.5; ctx.setLineDash(dashes(row.dash)); ctx.beginPath(); ctx.moveTo(x + 28, y - 4); ctx.lineTo(x + 72, y - 4); ctx.stroke(); ctx.setLineDash([]);
    ctx.font = `12px ${ink.font}`; ctx.fillText(row.name, x + 80, y);
  }
  const dashes = text => text ? text.split(" ").map(Number) : [];

  // begin fetches the curves of what is on the page now.
  async function begin() {
    data = null; lay = null; loud = -1;
    const box = byId("curves");
    if (!box) return;
    const stage = byId("stage");
    pointers(stage);
    stage.addEventListener("keydown", keys);
    stage.addEventListener("blur", () => own(false));
    for (const [id, f] of [["in", () => zoom(.5)], ["out", () => zoom(2)], ["left", () => pan(-.5)], ["right", () => pan(.5)], ["whole", () => look(data.lo, data.hi)], ["png", png]])
      byId(id).addEventListener("click", () => data && f());
    for (const s of box.querySelectorAll("small.len")) s.textContent = unit.length;
    for (const s of box.querySelectorAll("small.rest")) s.textContent = unit.rest;
    const rows = [...document.querySelectorAll("#readout tbody tr")];
    for (const row of rows) {
      row.addEventListener("pointerenter", () => { loud = Number(row.dataset.place); drawSoon(); });
      row.addEventListener("pointerleave", () => { loud = -1; drawSoon(); });
    }
    try {
      const answer = await fetch("/api/v1/compare?" + box.dataset.query);
      if (!answer.ok) throw new Error(answer.statusText);
      const doc = await answer.json();
      if (byId("curves") !== box) return; // another choice was made meanwhile
      data = ComparePlot.prepare(doc, rows.map(r => ({ letter: r.dataset.letter, dash: dashes(r.dataset.dash) })));
    } catch (e) {
      byId("said").textContent = t("The curves could not be fetched. Is the program still running?");
      return;
    }
    cells = data.curves.filter(c => c.drawn).map(c => { const [height, difference, residual] = rows[c.place].querySelectorAll("td"); return { ...c, height, difference, residual }; });
    const q = new URLSearchParams(location.search), number = key => q.has(key) ? Number(q.get(key)) : NaN;
    view = { lo: data.lo, hi: data.hi };
    if (number("from") < number("to")) view = { lo: Math.max(data.lo, number("from")), hi: Math.min(data.hi, number("to")) };
    if (!(view.hi > view.lo)) view = { lo: data.lo, hi: data.hi };
    at = Math.min(Math.max(0, view.lo), view.hi);
    stage.setAttribute("aria-valuemin", data.lo.toFixed(3)); stage.setAttribute("aria-valuemax", data.hi.toFixed(3));
    draw();
    document.body.dataset.drawn = box.dataset.query;
    performance.mark("curves");
    new ResizeObserver(drawSoon).observe(stage);
  }

  // swap takes another choice in without a new page.
  async function swap(url, push) {
    const answer = await fetch(url, { headers: { Accept: "text/html" } });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html"), all = page.getElementById("all");
    if (!all) { location.href = url; return; }
    const focus = document.activeElement && document.activeElement.id, open = [...document.querySelectorAll("#all details[open][id]")].map(d => d.id);
    if (push) history.pushState(null, "", url);
    delete document.body.dataset.drawn;
    byId("all").replaceWith(all);
    for (const id of open) if (byId(id)) byId(id).open = true;
    const mark = byId("simulated"), next = page.getElementById("simulated");
    if (!mark && next) document.querySelector(".strip").after(next);
    if (mark && !next) mark.remove();
    if (focus && byId(focus)) byId(focus).focus();
    await begin();
  }
  document.addEventListener("click", e => {
    const link = e.target.closest && e.target.closest("a[data-swap]");
    if (!link || e.ctrlKey || e.metaKey || e.shiftKey || e.button) return;
    e.preventDefault();
    swap(link.href, true).catch(() => { location.href = link.href; });
  });
  document.addEventListener("keydown", e => {
    if (e.key === " " && document.activeElement.matches("a[role=checkbox]")) { e.preventDefault(); document.activeElement.click(); }
  });
  addEventListener("popstate", () => swap(location.href, false).catch(() => location.reload()));
  addEventListener("beforeprint", () => data && draw(paperInks(inks())));
  addEventListener("afterprint", () => draw());
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => draw());
  begin();
})();
