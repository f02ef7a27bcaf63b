// Turn to: degrees from a cylinder's true top, and how to get to the angle asked
// for: always coming up in running direction, so that the lash lies one way.
"use strict";
(() => {
  const main = document.getElementById("turn-to"), byID = id => document.getElementById(id);
  if (!byID("deg")) { // nothing to turn to yet: look again when something is swept
    Live.on("sweep", () => setTimeout(() => location.reload(), 500)).on("gap", () => location.reload());
    return;
  }
  const put = (node, text) => { if (node.textContent !== text) node.textContent = text; };
  const fold = d => ((d % 360) + 540) % 360 - 180, minus = s => s.replace("-", "−");
  const degrees = (d, n) => minus(d.toFixed(n)) + "°";
  let page = JSON.parse(main.dataset.script), last = null, heardAt = 0;
  const choice = new URLSearchParams(location.hash.slice(1));
  let cylinder = Number(choice.get("cylinder")) || page.tops[0].n, aim = Number(choice.get("to")) || 0;

  // The lash is known to lie one way only after the crank went on that way by more than it.
  let from = null, way = 0, settled = false;
  function motion(now) {
    if (from === null) { from = { min: now, max: now }; return; }
    from.min = Math.min(from.min, now);
    from.max = Math.max(from.max, now);
    const lash = Math.abs(page.lash || 0) + (page.lash_u95 || 0);
    if (now >= from.min + lash + 0.5) { way = 1; settled = true; from.max = now; if (now > from.min + 2 * lash + 1) from.min = now - lash - 0.5; }
    else if (now <= from.max - lash - 0.5) { way = -1; settled = true; from.min = now; if (now < from.max - 2 * lash - 1) from.max = now + lash + 0.5; }
    else if (way > 0 && now < from.max - 0.3 || way < 0 && now > from.min + 0.3) settled = false;
  }

  function paint() {
    const ok = last && last.angle_deg !== null && performance.now() - heardAt < Live.silentMS && document.body.dataset.live === "yes";
    main.querySelector(".aimed").classList.toggle("stale", !ok || last.encoder_state !== "live");
    const s = byID("encoder-state");
    s.dataset.state = ok ? last.encoder_state : "lost";
    put(s, ok ? t("encoder %s", t(last.encoder_state)) : t("no news"));
    const top = page.tops.find(x => x.n === cylinder);
    if (!last || last.angle_deg === null || !top) return;
    const now = last.angle_deg * page.sign;
    const x = fold(now + way * (page.lash || 0) / 2 - top.top_deg);
    // What the lash's own doubt adds, and all of the lash while it lies between.
    const lashU = settled ? (page.lash_u95 || 0) / 2 : Math.abs(page.lash || 0) / 2 + (page.lash_u95 || 0) / 2;
    const doubt = top.u95_deg === null ? null : Math.hypot(top.u95_deg, lashU);
    const digits = doubt === null ? 1 : doubt < 0.02 ? 3 : 2;
    put(byID("deg"), degrees(x, digits));
    put(byID("of"), t(Math.abs(x) < 0.005 ? "at the top of cylinder %s" : x < 0 ? "before the top of cylinder %s" : "after the top of cylinder %s", cylinder));
    put(byID("doubt"), top.swept && doubt !== null ? "± " + doubt.toFixed(digits) + "°" : t("nominal only: this cylinder is not swept"));
    lead(fold(aim - x), doubt ?? 0.2);
  }

  function lead(left, doubt) {
    const box = byID("lead"), there = Math.max(doubt, 0.05);
    byID("dial-hand").setAttribute("transform", "translate(0 180) rotate(" + (page.hand * Math.max(-10, Math.min(10, -left)) * 4.5).toFixed(2) + ")");
    if (!settled && way === 0) { box.dataset.near = "no"; put(byID("do"), t("Come up in running direction.")); return; }
    if (Math.abs(left) <= there && way > 0 && settled) { box.dataset.near = "there"; put(byID("do"), t("There. Hold it.")); return; }
    if (Math.abs(left) <= there) { box.dataset.near = "past"; put(byID("do"), t("Coming from the wrong side: go back %s past it and come up in running direction.", degrees(page.again, 0))); return; }
    if (left < 0 && left > -60) { box.dataset.near = "past"; put(byID("do"), t("Too far by %s: go back %s past it and come up again.", degrees(-left, 1), degrees(page.again, 0))); return; }
    box.dataset.near = "no";
    const on = left < 0 ? left + 360 : left;
    put(byID("do"), t("Turn on %s in running direction.", degrees(on, on < 10 ? 1 : 0)));
  }

  function chosen() {
    for (const b of byID("cylinders").querySelectorAll("button")) b.setAttribute("aria-pressed", Number(b.dataset.cylinder) === cylinder);
    aim = Math.round(fold(aim) * 10) / 10;
    put(byID("aim"), degrees(aim, 1));
    history.replaceState(null, "", "#cylinder=" + cylinder + "&to=" + aim);
    paint();
  }
  byID("cylinders").addEventListener("click", e => { if (e.target.dataset.cylinder) { cylinder = Number(e.target.dataset.cylinder); chosen(); } });
  byID("where").addEventListener("click", e => {
    const d = e.target.dataset;
    if (d.to !== undefined) aim = Number(d.to); else if (d.step) aim += Number(d.step); else return;
    chosen();
  });

  let due = false;
  const soon = () => { if (!due) { due = true; requestAnimationFrame(() => { due = false; paint(); }); } };
  const reading = e => {
    last = e;
    heardAt = performance.now();
    if (e.angle_deg !== null) motion(e.angle_deg * page.sign);
    soon();
  };
  const ask = () => fetch("/api/v1/bench").then(r => r.ok ? r.json() : null).then(b => { if (b) reading(b); }).catch(() => {});
  document.addEventListener("fresh", () => { page = JSON.parse(main.dataset.script); from = null; soon(); });
  Live.on("reading", reading).on("sweep", freshSoon).on("notice", freshSoon).on("gap", freshSoon).on("open", () => { ask(); freshSoon(); }).on("live", soon);
  setInterval(soon, 250);
  if (navigator.wakeLock) navigator.wakeLock.request("screen").catch(() => {});
  chosen();
})();
