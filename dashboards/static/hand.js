// Reading by hand: what will be read is chosen, then mark after mark is taken.
"use strict";
(() => {
  const main = document.getElementById("by-hand"), page = JSON.parse(main.dataset.script);
  const byID = id => document.getElementById(id), all = s => [...main.querySelectorAll(s)];
  const put = (node, s) => { if (node && node.textContent !== s) node.textContent = s; };
  const inch = document.documentElement.dataset.length === "in", shown = mm => inch ? mm / 25.4 : mm;
  const minus = HandPlot.minus, clean = deg => +deg.toFixed(3), degrees = deg => minus(String(clean(deg))) + "°";
  const height = mm => minus(shown(mm).toFixed(inch ? 4 : 3));

  // What the person chose outlives a reload of the page.
  const kept = JSON.parse(sessionStorage.getItem("by-hand") || "{}");
  const keep = more => sessionStorage.setItem("by-hand", JSON.stringify(Object.assign(kept, more)));
  const press = (buttons, is) => buttons.forEach(b => b.setAttribute("aria-pressed", is(b)));
  const lengthOfStep = () => kept.step || 3;
  const firstOf = (cylinder, way) => (page.marks[cylinder] ?? 0) - way * page.aside * lengthOfStep();

  const sentence = s => s && s[0].toUpperCase() + s.slice(1);
  const fault = (id, text) => { put(byID(id), text); byID(id.split("-")[0])?.setAttribute("aria-invalid", text !== ""); };

  async function send(path, body, key) {
    const answer = await fetch(path, { method: "POST", body, headers: { "Content-Type": "application/json", "Idempotency-Key": key || crypto.randomUUID() } });
    return { ok: answer.ok, doc: await answer.json() };
  }

  // refused puts each refusal next to what it is about.
  function refused(p) {
    for (const e of p.errors || []) {
      const text = sentence(e.detail) + ": " + e.fix + ".";
      const id = e.pointer === "/mark_deg" ? "mark-fault" : e.pointer.startsWith("/height") ? "height-fault" : "";
      if (id && byID(id)) { fault(id, text); say(""); } else say(text);
    }
    if (!p.errors) say([p.title, p.fix].filter(Boolean).join(": ") + ".");
    if (byID("mark-fault")?.textContent) byID("mark").focus();
  }
  const unanswered = () => say(t("The program does not answer. Is it still running?"));

  if (byID("begin")) choosing();
  if (byID("pair")) reading();

  // choosing is the page before a sweep.
  function choosing() {
    const proposed = page.next.cylinder || Number(Object.keys(page.marks)[0]);
    const want = { cylinder: proposed, way: page.next.direction, dial: (page.dials.find(d => d.name === kept.dial) || page.dials.find(d => d.now)).name, moved: false };
    let first = firstOf(want.cylinder, want.way), set = false;
    function show() {
      if (!set) first = firstOf(want.cylinder, want.way);
      press(all("[data-cylinder]"), b => Number(b.dataset.cylinder) === want.cylinder);
      press(all("[data-way]"), b => Number(b.dataset.way) === want.way);
      press(all("[data-dial]"), b => b.dataset.dial === want.dial);
      press(all("[data-step]"), b => Number(b.dataset.step) === lengthOfStep());
      press([byID("moved")], () => want.moved);
      put(byID("first"), degrees(first));
      put(byID("begin"), t(want.way < 0 ? "Begin: cylinder %s, back, at %s" : "Begin: cylinder %s, forward, at %s", want.cylinder, degrees(first)));
    }
    main.addEventListener("click", e => {
      const b = e.target.closest("button"), d = b ? b.dataset : {};
      if (d.cylinder) { want.cylinder = Number(d.cylinder); set = false; }
      else if (d.way) { want.way = Number(d.way); set = false; }
      else if (d.dial) { want.dial = d.dial; keep({ dial: d.dial }); }
      else if (d.step) { keep({ step: Number(d.step) }); set = false; }
      else if (d.first) { first += Number(d.first); set = true; }
      else if (b === byID("moved")) { want.moved = !want.moved; if (want.moved) Object.assign(want, { cylinder: page.reference, way: 1 }); set = false; }
      else return;
      show();
    });
    byID("begin").addEventListener("click", async e => {
      e.target.disabled = true;
      try {
        const body = { cylinder: want.cylinder, direction: want.way, indicator: want.dial, damper_moved: want.moved };
        const a = await send("/api/v1/jobs/" + page.job + "/hand-sweeps", JSON.stringify(body));
        if (a.ok) { keep({ sweep: a.doc.id, first }); location.reload(); return; }
        refused(a.doc);
      } catch { unanswered(); }
      e.target.disabled = false;
    });
    Live.on("sweep", e => { if (e.state === "running" && e.job === page.job && !byID("begin").disabled) freshSoon(); });
    document.addEventListener("fresh", () => { if (JSON.parse(main.dataset.script).reading) location.reload(); });
    show();
  }

  // reading is the page while marks are read.
  function reading() {
    let doc = page.reading, busy = false, wrote = false, readyAt = 0, last = null, heardAt = 0;
    const path = "/api/v1/hand-sweeps/" + doc.id, way = page.way || 1;
    const dial = page.dials.find(d => d.name === doc.indicator) || { live: false, unit: "mm" };
    const mark = byID("mark"), field = byID("height"), again = dial.live ? 600 : 150; // ms: a pedal that bounces is one press
    const taken = () => doc.pairs.filter(p => !p.taken_back);
    let unit = kept.unit || dial.unit;

    const through = () => {
      const got = taken(), past = got.length && (got[got.length - 1].mark_deg - (page.marks[doc.cylinder] ?? 0)) * way;
      return got.length >= page.fewest && past >= page.aside * lengthOfStep() - 1e-6;
    };
    function next() {
      const got = taken();
      const deg = got.length ? got[got.length - 1].mark_deg + way * lengthOfStep() : kept.sweep === doc.id ? kept.first : firstOf(doc.cylinder, way);
      mark.value = minus(String(clean(deg)));
      written();
    }
    function written() {
      const deg = Number(plain(mark.value)), folded = clean(deg - 360 * Math.round(deg / 360));
      put(byID("on-damper"), Math.abs(deg) > 180 ? t("on the damper: %s", degrees(folded)) : "");
    }
    function row(p) {
      const tr = document.createElement("tr"), cells = [degrees(p.mark_deg), height(p.height_mm), p.taken_back ? t("taken back") : ""];
      cells.forEach((text, n) => { const c = document.createElement(n ? "td" : "th"); c.textContent = text; if (n === 2) c.className = "words"; tr.append(c); });
      if (p.taken_back) tr.className = "aside";
      return tr;
    }
    function show() {
      const got = taken(), far = page.aside * lengthOfStep(), top = page.marks[doc.cylinder] ?? 0;
      byID("pairs").replaceChildren(...doc.pairs.map(row).reverse());
      put(byID("count"), t(got.length < doc.fewest_to_fit ? "Marks: %s; %s at least" : "Marks: %s", got.length, doc.fewest_to_fit));
      byID("count").dataset.enough = got.length >= doc.fewest_to_fit;
      HandPlot.draw(byID("curve"), doc.pairs.map(p => [p.mark_deg, shown(p.height_mm), p.taken_back]), top - far, top + far);
      byID("back").disabled = got.length === 0;
      byID("take").classList.toggle("main", !through());
      byID("end").classList.toggle("main", through());
      press(all("[data-step]"), b => Number(b.dataset.step) === lengthOfStep());
      press(all("[data-unit]"), b => b.dataset.unit === unit);
    }
    const plain = s => s.trim().replace(/[−–]/g, "-").replace(",", ".").replace(/^\+/, "").replace(/°$/, "").replace(/^(-?)0+(?=\d)/, "$1").replace(/^(-?)\./, "$10.").replace(/\.$/, "");
    const number = s => /^-?\d+(\.\d+)?$/.test(s);

    // body is the pair as JSON with every digit as it was written; null: it cannot be sent.
    function body() {
      const deg = plain(mark.value), mm = plain(field.value);
      fault("mark-fault", number(deg) ? "" : t("Write a plain number, such as −12 or 7.5."));
      fault("height-fault", mm === "" ? dial.live ? "" : t("Type what the dial shows.") : number(mm) ? "" : t("Write a plain number, such as 0.125."));
      if (byID("mark-fault").textContent) { mark.focus(); return null; }
      if (byID("height-fault").textContent) { field.focus(); return null; }
      return '{"mark_deg":' + deg + (mm === "" ? "" : ',"height_' + unit + '":' + mm) + "}";
    }

    const wait = ms => new Promise(f => setTimeout(f, ms));
    // taking waits for a display that still moves, a few seconds at most.
    async function taking(text) {
      const key = crypto.randomUUID();
      for (let n = 0; ; n++) {
        const a = await send(path + "/readings", text, key);
        if (a.ok || !/:unsteady$/.test(a.doc.type) || n === 16) return a;
        fault("height-fault", t("Waiting until the display stands still."));
        await wait(300);
      }
    }
    async function act(f) {
      if (busy) return;
      busy = true;
      main.dataset.busy = "yes";
      try { await f(); } catch { unanswered(); }
      busy = false;
      delete main.dataset.busy;
      readyAt = performance.now() + again;
    }
    const over = p => /:not-being-read$/.test(p.type) && (say(t("It went on elsewhere: load the page again.")), true);

    byID("pair").addEventListener("submit", e => {
      e.preventDefault();
      if (performance.now() < readyAt) return;
      if (field.value === "" && through() && document.activeElement === field) { byID("end").click(); return; }
      act(async () => {
        const text = body();
        if (!text) return;
        const a = await taking(text);
        if (!a.ok) { fault("height-fault", ""); if (!over(a.doc)) refused(a.doc); if (/:unsteady$|:not-live$/.test(a.doc.type)) fault("height-fault", sentence(a.doc.title) + "."); return; }
        doc = a.doc;
        fault("height-fault", "");
        const got = taken(), p = got[got.length - 1];
        field.value = "";
        wrote = false;
        next();
        show();
        if (!dial.live) field.focus(); else if (document.activeElement === mark || document.activeElement === field) document.activeElement.blur();
        say(through() ? t("This way is read. End it, or read on.") : t("Taken: %s at %s.", height(p.height_mm), degrees(p.mark_deg)));
      });
    });
    byID("back").addEventListener("click", () => act(async () => {
      const got = taken(), p = got[got.length - 1];
      const a = await send(path + "/take-back", "{}");
      if (!a.ok) { if (!over(a.doc)) refused(a.doc); return; }
      doc = a.doc;
      fault("mark-fault", "");
      fault("height-fault", "");
      next();
      mark.value = minus(String(clean(p.mark_deg)));
      written();
      show();
      say(t("Taken back: the mark at %s. Its reading is kept, and left out.", degrees(p.mark_deg)));
    }));
    byID("end").addEventListener("click", () => {
      if (performance.now() < readyAt) return;
      act(async () => {
        const a = await send(path + "/end", "{}");
        if (a.ok) { location.reload(); return; }
        if (!over(a.doc)) refused(a.doc);
      });
    });
    main.addEventListener("click", e => {
      const d = e.target.closest("button")?.dataset || {};
      if (d.mark) { const deg = Number(plain(mark.value)); if (Number.isFinite(deg)) { mark.value = minus(String(clean(deg + Number(d.mark)))); fault("mark-fault", ""); written(); } }
      else if (d.step) { keep({ step: Number(d.step) }); if (taken().length) next(); show(); }
      else if (d.unit) { unit = d.unit; keep({ unit }); show(); }
    });
    main.addEventListener("keydown", e => {
      if (e.key === "Enter" && e.repeat) e.preventDefault(); // held down, it is one press
      if (e.key === "Backspace" && e.target === field && field.value === "" && !wrote && !e.repeat) { e.preventDefault(); byID("back").click(); }
    });
    field.addEventListener("input", () => { wrote = true; fault("height-fault", ""); });
    mark.addEventListener("input", () => { fault("mark-fault", ""); written(); });

    // The live display: what it shows, and whether it stands. The program judges
    // for itself when a pair is taken.
    const seen = [];
    function live() {
      const fresh = document.body.dataset.live === "yes" && performance.now() - heardAt < Live.silentMS;
      const one = last && last.indicators.find(i => i.name === doc.indicator), state = !one ? "waiting" : fresh ? one.state : "lost";
      const speaks = state === "live";
      put(byID("live-height"), one && one.height_mm !== null ? height(one.height_mm) : "—");
      byID("live-state").dataset.state = state;
      put(byID("live-state"), state === "lost" ? t("no news for %s s", Math.max(1, Math.round((performance.now() - heardAt) / 1000))) : t(state));
      byID("height-panel").classList.toggle("stale", !speaks);
      const mm = seen.map(s => s[1]), long = seen.length > 2 && seen[seen.length - 1][0] - seen[0][0] >= 400;
      const still = speaks && long && Math.max(...mm) - Math.min(...mm) <= 0.01;
      byID("still").dataset.still = still;
      put(byID("still"), !speaks ? "" : still ? t("stands still") : t("moves: hold the crank still"));
    }
    function heard(e) {
      last = e;
      heardAt = performance.now();
      const one = e.indicators.find(i => i.name === doc.indicator);
      if (one && one.height_mm !== null) seen.push([heardAt, one.height_mm]);
      while (seen.length && heardAt - seen[0][0] > 650) seen.shift();
      live();
    }
    // elsewhere: another page or command takes pairs of the same sweep, or ends it.
    async function elsewhere(e) {
      if (busy || e.job !== doc.job || e.id === doc.id && e.state === "running" && e.stored === taken().length) return;
      if (e.id !== doc.id && e.state !== "running") return;
      if (e.id !== doc.id || e.state !== "running") { location.reload(); return; }
      const answer = await fetch(path);
      if (answer.ok) { doc = await answer.json(); next(); show(); }
    }
    if (dial.live) {
      byID("live").hidden = byID("live-under").hidden = false;
      Live.on("reading", heard).on("live", live).on("open", () => fetch("/api/v1/bench").then(a => a.json()).then(heard).catch(() => {}));
      setInterval(live, 200);
    }
    byID("height-panel").classList.toggle("by-eye", !dial.live);
    Live.on("sweep", e => { elsewhere(e).catch(() => {}); });
    if (!dial.live) field.focus();
    const marks = taken();
    if (!kept.step && marks.length > 1) {
      const was = Math.abs(marks[marks.length - 1].mark_deg - marks[marks.length - 2].mark_deg);
      if ([1, 2, 5].includes(was)) keep({ step: was });
    }
    next();
    show();
  }
})();
