// A new job: pressing a stage makes it. What is typed beside is optional.
"use strict";
(() => {
  const form = document.getElementById("new-job");
  if (!form) return;
  const words = text => text.split(",").map(w => w.trim()).filter(Boolean);
  let key = crypto.randomUUID();
  form.addEventListener("input", () => { key = crypto.randomUUID(); });
  form.addEventListener("submit", async event => {
    event.preventDefault();
    const d = form.dataset, field = name => form.elements[name].value.trim();
    const stage = event.submitter && event.submitter.name === "stage" ? event.submitter : form.querySelector("button.main");
    const body = { stage: stage.value, name: field("name") || d.name + ", " + stage.textContent.trim(),
      customer_reference: field("customer_reference"), tags: words(field("tags")) };
    if (d.follows) body.follows = Number(d.follows); else body.engine_id = Number(d.engine);
    try {
      const answer = await fetch("/api/v1/jobs", { method: "POST",
        headers: { "Content-Type": "application/json", "Idempotency-Key": key + stage.value }, body: JSON.stringify(body) });
      const doc = await answer.json();
      if (answer.ok) { location.assign("/jobs/" + doc.id); return; }
      say(complaint(doc));
    } catch (e) {
      say(t("The program does not answer. Is it still running?"));
    }
  });
})();
