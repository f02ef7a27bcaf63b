// A check: one reading on one block, begun from the instrument's page; and an
// encoder's certificate, issued there of a job.
"use strict";
document.getElementById("certify")?.addEventListener("submit", async e => {
  e.preventDefault();
  const form = e.target, body = JSON.stringify({ job: Number(form.elements.job.value) });
  try {
    const answer = await fetch(`/api/v1/instruments/${form.dataset.instrument}/certificates`, { method: "POST", body, headers: { "Content-Type": "application/json", "Idempotency-Key": crypto.randomUUID() } });
    const doc = await answer.json();
    if (answer.ok) location.assign("/certificates/" + doc.number); else say(complaint(doc));
  } catch { say(t("The program does not answer. Is it still running?")); }
});
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
