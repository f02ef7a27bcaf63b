// A guided calibration: the next target, what the display shows, how long it
// stands. The page only shows what the bench decides.
"use strict";
(() => {
  const main = document.getElementById("calibration"), page = JSON.parse(main.dataset.script);
  const byID = id => document.getElementById(id), put = (node, s) => { if (node && node.textContent !== s) node.textContent = s; };
  const inch = document.documentElement.dataset.length === "in";
  const length = mm => mm === null || mm === undefined ? "—" : ((inch ? mm / 25.4 : mm).toFixed(inch ? 5 : 3)).replace("-", "−");
  const unanswered = () => say(t("The program does not answer. Is it still running?"));
  const post = (path, body) => fetch(path, { method: "POST", body: body && JSON.stringify(body), headers: { ...(body && { "Content-Type": "application/json" }), "Idempotency-Key": crypto.randomUUID() } });

  byID("issue")?.addEventListener("click", async e => {
    const { instrument, calibration } = e.target.dataset;
    e.target.disabled = true;
    try {
      const answer = await post(`/api/v1/instruments/${instrument}/certificates`, { calibration: Number(calibration) }), doc = await answer.json();
      if (answer.ok) { location.assign("/certificates/" + doc.number); return; }
      say(complaint(doc));
    } catch { unanswered(); }
    e.target.disabled = false;
  });
  if (!page.stand) return;

  const path = "/api/v1/calibrations/" + page.calibration, typed = page.typed;
  let now = page.stand, busy = false, heardAt = 0, taken = now.taken, shown = null, refusedBefore = "";
  const buttons = { take: byID("take"), back: byID("back"), end: byID("end") };
  const toPoint = { head: "Turn the head to", blocks: "Put the plunger on the block of" }[page.reference] || "Bring the reference to";
  const ways = { up: "moving in", down: "moving out", repeat: "anew, moving in" };

  // heading is what is to be done with hands.
  function heading() {
    const n = now.next;
    if (!n) { put(byID("what"), t("All points are taken.")); put(byID("way"), ""); byID("target").dataset.way = "done"; return; }
    const back = now.state === "back" && now.back_to_mm !== null;
    put(byID("what"), t(back ? "Go back until the display shows" : toPoint));
    put(byID("place"), length(back ? now.back_to_mm : n.reference_mm));
    const down = n.direction === "down";
    put(byID("way"), t(back ? (down ? "then come again, moving out" : "then come again, moving in") : ways[n.direction]));
    byID("target").dataset.way = back ? (down ? "up" : "down") : n.direction === "down" ? "down" : n.direction === "repeat" ? "repeat" : "up";
  }
  function standing() {
    const holds = now.state === "hold" || now.state === "press";
    const part = now.state === "hold" && now.steady_s > 0 ? Math.min(1, now.steady_for_s / now.steady_s) : now.state === "press" && !typed ? 1 : 0;
    byID("fill").style.transform = `scaleX(${part.toFixed(3)})`;
    byID("steady").setAttribute("aria-valuenow", String(Math.round(100 * part)));
    const aim = now.state === "back" ? now.back_to_mm : now.expected_mm;
    const togo = now.shows_mm !== null && aim !== null && now.next && !holds ? Math.abs(aim - now.shows_mm) : null;
    put(byID("togo"), togo === null ? "" : t(inch ? "%s in to go" : "%s mm to go", length(togo)));
    put(byID("digits"), length(shown === null ? now.shows_mm : shown));
    put(byID("still"), now.state === "complete" ? t("All points are taken.") : now.state === "paused" ? t("The indicator is not heard. The run waits.")
      : typed ? t("Type what the display shows, and press Enter.") : now.take === "line" ? t("Press the indicator’s own button or pedal at the point.")
      : now.state === "hold" ? t("Keep still: it is being taken.") : now.state === "press" ? (elsewhere() ? t(page.check ? "It stands, but not where the block says. Zero the display as at every check; or press Enter as it is: the chart then shows the difference." : "It stands, but not where the reference says. Set the display to that; or press Enter as it is: every error then has the difference in it, and no verdict feels it.") : t("It stands. Press Enter if this is the point."))
      : now.state === "turn" && now.take === "steady" ? t("Turn on; it is taken by itself when the display stands.") : "");
  }
  // elsewhere: the display was not zeroed where the reference is.
  const elsewhere = () => now.take === "steady" && now.next && now.shows_mm !== null && Math.abs(now.shows_mm - now.next.reference_mm) > now.within_mm;
  const sentence = s => s && s[0].toUpperCase() + s.slice(1);
  function refusal() {
    const r = now.refused, text = r ? t("Not taken: %s. %s.", r.detail, sentence(r.fix)) : "";
    put(byID("refusal"), text);
    if (r && r.reason !== refusedBefore) Sound.rejected();
    refusedBefore = r ? r.reason : "";
  }
  function progress() {
    put(byID("count"), t("%s of %s points", now.taken, now.points));
    put(byID("run"), page.runs > 1 && now.next ? t("run %s of %s", now.next.run, page.runs) : "");
    put(byID("last"), now.last ? t("Last taken: %s at %s.", length(now.last.reading_mm), length(now.last.reference_mm)) : "");
    byID("bar").style.transform = `scaleX(${now.points ? now.taken / now.points : 0})`;
  }
  function pressed() {
    const complete = now.state === "complete";
    buttons.take.hidden = complete || now.take === "line";
    buttons.take.classList.toggle("main", !buttons.take.hidden);
    buttons.end.classList.toggle("main", complete);
    put(buttons.end, t(complete ? "End it" : "End it here"));
    buttons.back.disabled = busy || now.taken === 0;
    buttons.take.disabled = buttons.end.disabled = busy;
    byID("typed").hidden = !typed || complete;
    if (complete && typed) byID("typed").elements.reading.blur(); // Enter then ends it
  }
  function show() {
    heading(); standing(); refusal(); progress(); pressed();
    if (now.taken !== taken) {
      if (now.taken > taken) { Sound.stored(); if (!busy) say(""); }
      taken = now.taken;
      freshSoon();
    }
  }
  async function act(what, body) {
    if (busy) return;
    busy = true;
    pressed();
    try {
      const answer = await post(path + "/" + what, body), doc = await answer.json();
      if (!answer.ok) { say(complaint(doc)); Sound.rejected(); }
      else if (what === "end") { location.reload(); return; }
      else { say(what === "take-back" ? t("Taken back; come to the point again.") : ""); byID("typed").reset(); answered(doc.stand); }
    } catch { unanswered(); }
    busy = false;
    pressed();
    if (typed && now.state !== "complete") byID("typed").elements.reading.focus();
  }
  function take() {
    if (!typed) { act("readings", {}); return; }
    const field = byID("typed").elements.reading, text = field.value.trim().replace("−", "-");
    if (text === "" || !Number.isFinite(Number(text.replace(",", ".")))) { say(t("Write a plain number, such as 4.002.")); field.focus(); return; }
    act("readings", { reading: inch ? text + " in" : text });
  }
  buttons.take.addEventListener("click", take);
  byID("typed").addEventListener("submit", e => { e.preventDefault(); take(); });
  buttons.back.addEventListener("click", () => act("take-back"));
  buttons.end.addEventListener("click", () => act("end"));

  function heard(doc) {
    const s = doc.stand || doc;
    if (s.calibration !== page.calibration) return;
    if (s.state === "ended" || s.what === "ended") { location.reload(); return; }
    if (s.what === "lost") { say(t("A point could not be stored, and the run was given up. Look at the notices on the bench’s page.")); return; }
    if (!("next" in s)) return;
    now = s;
    show();
  }
  // answered: the API speaks English; what is refused comes in the page's language
  // with the next event.
  const answered = s => { if (s) heard(document.documentElement.lang === "en" ? s : { ...s, refused: null }); };
  function reading(e) {
    heardAt = performance.now();
    const one = e.indicators.find(i => i.name === now.indicator);
    if (one && one.height_mm !== null) { shown = one.height_mm; put(byID("digits"), length(shown)); }
  }
  Live.on("calibration", heard).on("reading", reading)
    .on("live", yes => byID("shows").classList.toggle("stale", !yes && !typed))
    .on("open", () => fetch(path).then(a => a.json()).then(d => d.state === "running" ? answered(d.stand) : location.reload()).catch(() => {}))
    .on("gap", () => location.reload());
  const sound = byID("sound"), tell = () => { sound.setAttribute("aria-pressed", String(Sound.on)); put(sound, t(Sound.on ? "Sound is on" : "Sound is off")); };
  sound.addEventListener("click", () => { Sound.on = !Sound.on; tell(); });
  tell();
  show();
  if (typed) byID("typed").elements.reading.focus();
})();
