// The damper marks: the ring turns with the crank, the approach is watched, a
// mark is chosen and pressed.
"use strict";
(() => {
  const main = document.getElementById("marks"), field = document.getElementById("mark-deg"), press = document.getElementById("press");
  if (!field) return;
  const byID = id => document.getElementById(id);
  const put = (node, s) => { if (node && node.textContent !== s) node.textContent = s; };
  const fold = deg => ((deg % 360) + 360) % 360, half = deg => fold(deg + 180) - 180;
  const signed = deg => (deg > 0 ? "+" : deg < 0 ? "−" : "") + String(+Math.abs(deg).toFixed(2)) + "°";
  let last = null, chosen = 0;

  function choose(deg) {
    chosen = Math.min(360, Math.max(-360, +deg.toFixed(3)));
    if (Number(field.value) !== chosen) field.value = chosen;
    press.dataset.body = JSON.stringify({ job: Number(main.dataset.job), mark_deg: chosen });
    press.disabled = false;
    paint();
  }

  // approach says how the crank came here, before the press.
  function approach(live) {
    const m = last && last.last_motion, confirmed = main.dataset.confirmed === "yes";
    const state = !live ? "silent" : !m || !m.direction || !confirmed ? "unknown" : m.direction * Number(main.dataset.sign) > 0 ? "up" : "back";
    const node = byID("approach");
    node.dataset.state = state;
    put(node, { up: t("Came up in running direction: press when the mark stands under the pointer."),
      back: t("Turned back last: go back a quarter turn more, then come up again in running direction."),
      silent: t("The bench is not heard: nothing here is live."),
      unknown: t("Nothing has moved since, or the running direction is not confirmed: come up in running direction.") }[state]);
  }

  // nearest is the mark, pressed before or in hand, that stands nearest to the pointer.
  function nearest(deg) {
    const all = [...new Set([chosen, ...JSON.parse(main.dataset.marks || "[]") || []])];
    const away = m => half(m - deg), near = all.reduce((a, b) => Math.abs(away(b)) < Math.abs(away(a)) - 1e-9 ? b : a);
    const d = away(near), size = Math.abs(d).toFixed(Math.abs(d) < 10 ? 1 : 0) + "°";
    return Math.abs(d) < 0.5 ? t("mark %s stands under the pointer", signed(near))
      : d > 0 ? t("mark %s comes in %s", signed(near), size) : t("mark %s was passed by %s", signed(near), size);
  }

  function paint() {
    const d = main.dataset, known = d.zero !== "", hand = Number(d.hand);
    const live = document.body.dataset.live === "yes" && last && last.encoder_state === "live";
    byID("chosen").setAttribute("transform", "rotate(" + (-hand * chosen).toFixed(2) + ")");
    put(byID("angle-of"), d.zeroWord);
    put(byID("ring-state"), live ? "" : last ? t("last known") : t("no news"));
    approach(live);
    if (!last || last.angle_deg === null) { put(byID("angle"), "—"); put(byID("nearest"), ""); return; }
    const deg = fold(last.angle_deg * Number(d.sign) - (known ? Number(d.zero) : 0));
    put(byID("angle"), (deg >= 359.995 ? 0 : deg).toFixed(2) + "°");
    byID("turn").setAttribute("transform", "rotate(" + (known ? hand * deg : 0).toFixed(2) + ")");
    put(byID("nearest"), known && live ? nearest(deg) : "");
  }

  let due = false;
  const soon = () => { if (!due) { due = true; requestAnimationFrame(() => { due = false; paint(); }); } };
  const reading = e => { last = e; soon(); };
  // A bench where nothing changes may be silent for a moment: ask how it stands.
  const ask = () => fetch("/api/v1/bench").then(a => a.json()).then(e => { if (!last) reading(e); }).catch(() => {});
  Live.on("reading", reading).on("open", ask).on("live", soon).on("open", freshSoon).on("gap", freshSoon)
    .on("sweep", e => { if (e.state !== "running") freshSoon(); });
  document.addEventListener("fresh", paint);
  document.addEventListener("click", e => {
    const b = e.target.closest("button[data-step], button[data-mark]");
    if (b) choose(b.dataset.step ? chosen + Number(b.dataset.step) : Number(b.dataset.mark));
  });
  field.addEventListener("input", () => {
    const deg = Number(field.value);
    if (field.value !== "" && Math.abs(deg) <= 360) { choose(deg); return; }
    press.disabled = true; // what is in the field is no mark
    say(t("Write a number of degrees from −360 to 360."));
  });
  choose(0);
})();
