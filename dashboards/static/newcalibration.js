// What is calibrated how: chosen with four keys, then begun.
"use strict";
(() => {
  const main = document.getElementById("begin-calibration"), page = JSON.parse(main.dataset.script);
  const all = s => [...main.querySelectorAll(s)], field = n => main.querySelector(`[name=${n}]`);
  const perUnit = document.documentElement.dataset.length === "in" ? 25.4 : 1;
  const want = { reference: String(page.reference), scheme: page.scheme, runs: String(page.runs), soak: "", temperature: "", by: "", take: "steady" };
  let key = crypto.randomUUID();

  const places = () => field("places").value.trim().split(/[\s;]+/).filter(Boolean).map(s => Number((Number(s.replace("−", "-").replace(",", ".")) * perUnit).toPrecision(12)));

  function show() {
    for (const name of Object.keys(want)) for (const b of all(`[data-${name}]`)) b.setAttribute("aria-pressed", String(b.dataset[name] === want[name]));
    const scheme = page.schemes.find(s => s.key === want.scheme), runs = Number(want.runs), own = places().length;
    const points = want.scheme === "own" ? own && 2 * own * runs + page.repeats : scheme && scheme.points[runs - 1];
    document.getElementById("own-places").hidden = want.scheme !== "own";
    document.getElementById("plan").textContent = !points ? t("points of one’s own") : want.runs === "1" ? t("%s points in one run", points) : t("%s points in %s runs", points, want.runs);
  }
  main.addEventListener("click", e => {
    const b = e.target.closest("button");
    if (!b) return;
    const name = Object.keys(want).find(n => n in b.dataset);
    if (!name) return;
    want[name] = b.dataset[name];
    if (name === "temperature" || name === "by") field(name).value = "";
    key = crypto.randomUUID();
    show();
  });
  main.addEventListener("input", e => {
    if (e.target.name === "temperature" || e.target.name === "by") { want[e.target.name] = e.target.value.trim().replace("−", "-").replace(",", e.target.name === "by" ? "," : "."); }
    key = crypto.randomUUID();
    show();
  });

  // body is what the API takes; a text says what is wrong with it.
  function body() {
    const b = { kind: "calibration", instrument: page.instrument, conditions: {} };
    if (want.reference !== "0") b.reference = Number(want.reference);
    b.scheme = want.scheme;
    b.runs = Number(want.runs);
    if (want.scheme === "own") {
      b.points_mm = places();
      if (!b.points_mm.length) return t("Name the places first.");
      if (!b.points_mm.every(Number.isFinite)) return t("Write the places in plain digits, such as 0 1 2 5 10.");
    }
    if (want.temperature !== "") {
      b.conditions.temperature_c = Number(want.temperature);
      if (!Number.isFinite(b.conditions.temperature_c)) return t("Write the temperature in plain digits.");
      b.conditions.temperature_u95_c = 1;
    }
    if (want.soak !== "") b.conditions.soak_min = Number(want.soak);
    if (want.by) b.conditions.measured_by = want.by;
    if (all("[data-take]").length) b.by_key = want.take === "call";
    return b;
  }
  document.getElementById("begin").addEventListener("click", async e => {
    const b = body();
    if (typeof b === "string") { say(b); return; }
    e.target.disabled = true;
    try {
      const answer = await fetch("/api/v1/calibrations", { method: "POST", body: JSON.stringify(b), headers: { "Content-Type": "application/json", "Idempotency-Key": key } });
      const doc = await answer.json();
      if (answer.ok) { location.assign("/calibrations/" + doc.id); return; }
      say(complaint(doc));
    } catch { say(t("The program does not answer. Is it still running?")); }
    e.target.disabled = false;
  });
  show();
})();
