// The bench page: the crank, the heights, and what to do next, as they come.
"use strict";
(() => {
  const main = document.getElementById("bench"), byID = id => document.getElementById(id);
  const { shown, minus, inch } = Curve;
  const fold = deg => ((deg % 360) + 360) % 360, foldHalf = deg => fold(deg + 180) - 180;
  const put = (node, text) => { if (node && node.textContent !== text) node.textContent = text; };
  const degrees = (d, n) => minus(d.toFixed(n)) + "°";

  let page = {};           // what the program knows: tops, aims, running direction
  let last = null;         // last reading event
  let heardAt = 0;         // when it came, page's own clock, ms
  let held = false, due = false;
  const curves = new Map(); // indicator → {id, cylinder, points: [[deg, mm]…], running, at}
  const rulers = new Map(); // indicator → {cylinder, ruler}
  const waiting = new Map(); // sweep that ended → ledger that must reach the disk

  const run = () => last && last.angle_deg !== null ? last.angle_deg * page.sign : null; // grows in running direction
  const heard = () => performance.now() - heardAt < Live.silentMS && document.body.dataset.live === "yes";

  // aim is the indicator that the builder watches: one that is being swept, or the first.
  function aim() {
    const running = [...curves].find(([, c]) => c.running);
    return page.aims.find(a => running && a.indicator === running[0]) || page.aims[0] || null;
  }

  // topOf is where a cylinder's top is expected, on run()'s scale and within
  // half a turn of the crank; while none is known, the running curve tells.
  function topOf(a) {
    if (!a) return null;
    if (a.top_deg !== null) return run() + foldHalf(a.top_deg - run());
    const c = curves.get(a.indicator);
    return c && c.running ? Curve.topOf(c.points) : null;
  }

  // digits are what must not wait: the angle, the heights and their states.
  function digits() {
    instruments();
    const now = run(), a = aim(), top = now === null ? null : topOf(a);
    if (now === null) { put(byID("angle"), "—"); put(byID("angle-of"), page.zero_word || ""); return; }
    put(byID("angle"), top === null ? whole(now) : degrees(now - top, 2));
    put(byID("angle-of"), top === null ? page.zero_word || "" : t("after the top of %s (− is before)", a.cylinder));
  }

  // whole is the crank's angle within its turn.
  const whole = now => { const turn = fold(now - (page.zero ?? 0)); return degrees(turn >= 359.995 ? 0 : turn, 2); };

  // drawings may come a little later: the wheel, the ruler's pointer, the curve.
  let turned = null;
  function drawings() {
    const now = run();
    if (now !== null) {
      const turn = fold(now - (page.zero ?? 0));
      if (turned !== turn) {
        turned = turn;
        put(byID("turn-angle"), degrees(turn, 1));
        put(byID("angle-2"), topOf(aim()) === null ? "" : whole(now) + " " + page.zero_word);
        byID("turn").style.transform = "rotate(" + (page.hand * turn).toFixed(2) + "deg)";
        nextTop(turn);
        for (const [name, r] of rulers) {
          const its = topOf(page.aims.find(x => x.indicator === name));
          r.ruler.hand(its === null ? null : now - its);
        }
      }
      const m = last.last_motion;
      if (m && m.direction) put(byID("last-motion"), t(m.direction > 0 ? "Last motion: %s, counts up." : "Last motion: %s, counts down.", degrees(m.moved_deg, 1)));
    }
    coach();
    const drawn = [...curves.values()].map(c => [c.id, c.points.length, c.running].join()).join();
    if (drawn === paint.drawn) return;
    paint.drawn = drawn;
    Curve.draw([...curves.values()], byID("curve-grid"), byID("curve-lines"));
  }

  function nextTop(turn) {
    let best = null;
    for (const top of page.tops || []) {
      const ahead = fold(top.deg - turn);
      if (!best || ahead < best.ahead - 0.5) best = { ahead, n: [top.n] };
      else if (Math.abs(ahead - best.ahead) <= 0.5) best.n.push(top.n);
    }
    put(byID("next-top"), best ? t("next top: %s in %s", best.n.join(", "), degrees(best.ahead, best.ahead < 10 ? 1 : 0)) : "");
  }

  // coach says how far to go while a sweep runs, and when to stop.
  function coach() {
    const a = aim(), c = a && curves.get(a.indicator);
    if (!c || !c.running || c.points.length < 2) { put(byID("do"), byID("do").dataset.text); return; }
    const top = topOf(a), now = run(), way = c.points[c.points.length - 1][0] >= c.points[0][0] ? 1 : -1;
    if (top === null) { put(byID("do"), t("Turn on: the top is not seen yet.")); return; }
    const past = (now - top) * way, speed = pace();
    if (past < 0) Sound.near(-past);
    if (Math.abs(past) < 10 && speed > page.slow_deg_s) put(byID("do"), t("Slower near the top."));
    else if (past < -3) put(byID("do"), t("Coming up: %s to the top.", degrees(-past, 0)));
    else if (past < 3) put(byID("do"), t("Through the top: slow and even."));
    else if (past < page.aim_deg) put(byID("do"), t("Past the top: %s more.", degrees(page.aim_deg - past, 0)));
    else put(byID("do"), t("Stop. This way is done."));
  }

  const angles = []; // [s, degrees], the newest last
  function pace() {
    const [t1, a1] = angles[angles.length - 1] || [0, 0], from = angles.find(([s]) => t1 - s < 0.6);
    return from && t1 > from[0] ? Math.abs(a1 - from[1]) / (t1 - from[0]) : 0;
  }
  function angleAt(s) {
    for (let n = angles.length - 1; n > 0; n--) {
      const [t0, a0] = angles[n - 1], [t1, a1] = angles[n];
      if (s >= t0 && t1 > t0) return a0 + (a1 - a0) * Math.min(1, (s - t0) / (t1 - t0));
    }
    return null;
  }

  const age = s => s === null ? t("nothing heard yet") : s < 1 ? t("now") : s < 120 ? t("%s s ago", Math.round(s)) : t("%s min ago", Math.round(s / 60));
  function state(node, word, text) {
    if (!node) return;
    const ok = heard();
    if (node.dataset.state !== (ok ? word : "lost")) node.dataset.state = ok ? word : "lost";
    put(node, ok ? text : t("no news for %s s", Math.max(1, Math.round((performance.now() - heardAt) / 1000))));
  }

  // instruments shows heights, states and ages; ages go on while nothing comes.
  function instruments() {
    if (!last) return;
    const since = (performance.now() - heardAt) / 1000;
    state(byID("encoder-state"), last.encoder_state, t("encoder %s", t(last.encoder_state)));
    byID("angle").closest(".readout").classList.toggle("stale", !heard() || last.encoder_state !== "live");
    put(byID("angle-state"), !heard() || last.encoder_state !== "live" ? t("last known") : "");
    for (const i of last.indicators) {
      const card = main.querySelector('.probe[data-name="' + CSS.escape(i.name) + '"]');
      if (!card) continue;
      put(card.querySelector(".value"), i.height_mm === null ? "—" : minus(shown(i.height_mm).toFixed(inch ? 5 : 3)));
      put(card.querySelector(".age"), age(i.age_s === null ? null : i.age_s + since));
      state(card.querySelector(".state"), i.state, t(i.state));
      card.classList.toggle("stale", !heard() || i.state !== "live");
    }
  }

  function title() {
    const all = [...curves.values()], running = all.filter(c => c.running);
    const names = (running.length ? running : all).map(c => c.cylinder).join(", ");
    put(byID("curve-title"), running.length ? t("Sweeping cylinder %s", names) : all.length ? t("Last sweep: cylinder %s", names) : t("No sweep is running"));
  }

  const drawMS = 80;
  let drawnAt = 0;
  function paint() {
    due = false;
    if (held) return;
    drawnAt = performance.now();
    drawings();
  }
  const paintSoon = () => {
    if (due) return;
    due = true;
    setTimeout(() => requestAnimationFrame(paint), Math.max(0, drawnAt + drawMS - performance.now()));
  };

  const words = e => [e.encoder_state, ...e.indicators.flatMap(i => [i.state, i.cylinder])].join();
  function reading(e) {
    if (last && words(last) !== words(e)) freshSoon(); // what to do next depends on it
    last = e;
    heardAt = performance.now();
    if (e.angle_deg !== null) angles.push([e.t_s - (e.angle_age_s || 0), e.angle_deg]);
    if (angles.length > 120) angles.shift();
    for (const i of e.indicators) point(e, i);
    for (const [id, ledger] of waiting) if (e.stored_ledger >= ledger) { waiting.delete(id); ended(id); }
    if (!held) digits();
    paintSoon();
  }

  function point(e, i) {
    const c = curves.get(i.name), at = e.t_s - i.age_s;
    if (!c || !c.running || !i.contact || i.height_mm === null || !(at > c.at + 0.001)) return; // the same height, told again
    const deg = angleAt(at);
    c.at = at;
    if (deg === null) return;
    c.points.push([deg * page.sign, i.height_mm]);
    if (c.points.length > 4000) c.points = c.points.filter((_, n) => n % 2);
    const r = rulers.get(i.name), top = topOf(page.aims.find(x => x.indicator === i.name));
    if (r && top !== null) r.ruler.fill(c.points[c.points.length - 1][0] >= c.points[0][0] ? 1 : -1, deg * page.sign - top);
  }

  function sweep(e) {
    const c = curves.get(e.indicator);
    const begun = e.state === "running" && (!c || c.id !== e.id), over = e.state !== "running";
    if (begun) begin(e);
    if (over && c && c.id === e.id) { if (c.running) waiting.set(e.id, e.stored); c.running = false; }
    title();
    if (begun || over) freshSoon(); // not at each word of one that goes on
  }

  // ended: a sweep is on the disk; whether the fit could use it, the page says.
  async function ended(id) {
    try {
      await fresh();
      if (page.used.includes(id)) Sound.stored(); else Sound.rejected();
    } catch (e) { /* the program went away: the page says so */ }
  }

  function begin(e) {
    for (const [name, c] of curves) if (!c.running) curves.delete(name);
    curves.set(e.indicator, { id: e.id, cylinder: e.cylinder, points: [], at: -1, running: true });
    past(e.id, e.indicator).catch(() => {});
  }

  // past fetches what a sweep holds already: it began before this page knew.
  async function past(id, indicator) {
    const answer = await fetch("/api/v1/sweeps/" + id + "/samples.csv");
    if (!answer.ok) return;
    const rows = (await answer.text()).trim().split("\n").map(l => l.split(","));
    const at = rows[0].indexOf("angle_deg"), mm = rows[0].indexOf("height_mm"), c = curves.get(indicator);
    const before = rows.slice(1).filter(r => r[at] && r[mm]).map(r => [Number(r[at]), Number(r[mm])]);
    if (c && c.id === id) { c.points = before.concat(c.points); paintSoon(); }
  }

  // known brings the page in line with what the program says.
  function known() {
    page = JSON.parse(main.dataset.script);
    for (const list of ["tops", "aims", "running", "used"]) page[list] ||= [];
    for (const r of page.running) if (curves.get(r.indicator)?.id !== r.id) begin(r);
    for (const c of curves.values()) c.running = page.running.some(r => r.id === c.id);
    const host = byID("rulers");
    for (const [name, r] of rulers) if (!page.aims.some(a => a.indicator === name)) { r.box.remove(); rulers.delete(name); }
    for (const a of page.aims) {
      let r = rulers.get(a.indicator);
      if (!r) {
        const box = document.createElement("div");
        host.append(box);
        r = { box, ruler: Curve.ruler(box) };
        rulers.set(a.indicator, r);
        r.ruler.aim(page.aim_deg);
      }
      r.ruler.cover(1, a.forward);
      r.ruler.cover(-1, a.back);
      r.ruler.say(a.indicator + " · " + a.cylinder);
    }
    title();
    paintSoon();
  }

  byID("hold").addEventListener("click", e => {
    held = !held;
    e.target.setAttribute("aria-pressed", held);
    put(e.target, t(held ? "The display is held" : "Hold the display"));
    paintSoon();
  });
  const sound = () => { byID("sound").setAttribute("aria-pressed", Sound.on); put(byID("sound"), t(Sound.on ? "Sound is on" : "Sound is off")); };
  byID("sound").addEventListener("click", () => { Sound.on = !Sound.on; sound(); });

  // The screen stays awake while the bench is looked at.
  const awake = () => { if (!document.hidden && navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {}); };
  document.addEventListener("visibilitychange", () => { awake(); if (!document.hidden) freshSoon(); });

  // ask is for the first look: events tell only what comes after.
  const ask = () => fetch("/api/v1/bench").then(r => r.ok ? r.json() : null).then(b => { if (b) reading(b); }).catch(() => {});

  document.addEventListener("fresh", known);
  Live.on("reading", reading).on("sweep", sweep).on("notice", freshSoon).on("gap", freshSoon).on("open", () => { ask(); freshSoon(); }).on("live", paintSoon);
  setInterval(() => { if (!held) digits(); }, 250);
  // While a sweep runs the doubt shrinks; notices pass by themselves.
  let looked = performance.now();
  setInterval(() => {
    const running = [...curves.values()].some(c => c.running);
    if (document.hidden || performance.now() - looked < (running ? 2500 : 15000)) return;
    looked = performance.now();
    freshSoon();
  }, 500);
  known();
  sound();
  awake();
})();
