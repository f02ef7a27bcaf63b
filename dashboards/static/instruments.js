// The instruments page: values and ages as they come, the rest afresh each
// second. Held lines stay as they are, to be read or copied.
"use strict";
(() => {
  const inch = document.documentElement.dataset.length === "in";
  const put = (node, text) => { if (node && node.textContent !== text) node.textContent = text; };
  const signed = s => s.replace("-", "−");
  const plates = () => document.querySelectorAll(".instrument");

  const age = s => s === null ? t("nothing heard yet") : s < 1 ? t("now") : s < 120 ? t("%s s ago", Math.round(s)) : t("%s min ago", Math.round(s / 60));

  function show(plate, state, value, seconds) {
    if (!plate) return;
    put(plate.querySelector(".value"), value);
    put(plate.querySelector(".age"), age(seconds));
    const word = plate.querySelector(".state");
    word.dataset.state = state;
    put(word, t(state));
    plate.dataset.mute = state === "live" ? "no" : "yes";
  }

  let last = null, freshAt = 0;
  function reading(e) {
    last = e;
    const of = new Map([...plates()].map(p => [p.dataset.encoder === "true" ? "" : p.dataset.name, p]));
    show(of.get(""), e.encoder_state, e.angle_deg === null ? "—" : signed(e.angle_deg.toFixed(2)), e.angle_age_s);
    for (const i of e.indicators) {
      const value = i.height_mm === null ? "—" : signed(inch ? (i.height_mm / 25.4).toFixed(5) : i.height_mm.toFixed(3));
      show(of.get(i.name), i.state, value, i.age_s);
    }
    if (performance.now() - freshAt > 1000) { freshAt = performance.now(); fresh().catch(() => {}); }
  }

  // mute: the program says nothing, so nothing here is of now.
  function live(yes) {
    if (yes) return;
    for (const p of plates()) {
      p.dataset.mute = "yes";
      p.querySelector(".state").dataset.state = "lost";
      put(p.querySelector(".state"), t("no news from the program"));
      put(p.querySelector(".age"), "");
    }
  }

  const hold = document.getElementById("hold");
  hold.addEventListener("click", () => {
    const held = hold.getAttribute("aria-pressed") !== "true";
    hold.setAttribute("aria-pressed", held);
    for (const p of document.querySelectorAll(".linespart")) p.classList.toggle("fresh", !held);
  });
  document.addEventListener("fresh", () => { // it may come after the program fell silent
    if (document.body.dataset.live !== "yes") live(false);
    else if (last) reading(last);
  });
  Live.on("reading", reading).on("live", live).on("notice", freshSoon);
})();
