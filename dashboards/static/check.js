// A check: one reading on one block, begun from the instrument's page.
"use strict";
(() => {
  const form = document.getElementById("check");
  if (!form) return;
  const perUnit = document.documentElement.dataset.length === "in" ? 25.4 : 1;
  let key = crypto.randomUUID();
  form.addEventListener("input", () => { key = crypto.randomUUID(); });
  form.addEventListener("submit", async e => {
    e.preventDefault();
    const text = form.elements.block.value.trim().replace("−", "-").replace(",", "."), mm = Number(text) * perUnit;
    if (text === "" || !Number.isFinite(mm)) { say(t("Give the block’s length in plain digits.")); form.elements.block.focus(); return; }
    const body = { kind: "check", instrument: Number(form.dataset.instrument), points: [{ run: 1, direction: "up", reference_mm: Number(mm.toPrecision(12)) }] };
    if (form.elements.reference.value) body.reference = Number(form.elements.reference.value);
    try {
      const answer = await fetch("/api/v1/calibrations", { method: "POST", body: JSON.stringify(body), headers: { "Content-Type": "application/json", "Idempotency-Key": key } });
      const doc = await answer.json();
      if (answer.ok) location.assign("/calibrations/" + doc.id); else say(complaint(doc));
    } catch { say(t("The program does not answer. Is it still running?")); }
  });
})();
