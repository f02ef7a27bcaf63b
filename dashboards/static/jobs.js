// The form for a new job: its fields become the engine, problems go back to
// the field they belong to.
"use strict";
(() => {
  const form = document.getElementById("new-job"), said = document.getElementById("said");
  const text = new Set(["name", "running_direction", "turn_back"]);
  let key = crypto.randomUUID();

  function engine() {
    const e = {};
    for (const [name, value] of new FormData(form)) {
      if (value === "") continue;
      if (name === "firing_order") e[name] = value.split(/[^0-9]+/).filter(Boolean).map(Number);
      else e[name] = text.has(name) ? value.trim() : Number(value);
    }
    return e;
  }

  form.addEventListener("input", () => { key = crypto.randomUUID(); });
  form.addEventListener("submit", async event => {
    event.preventDefault();
    for (const f of form.querySelectorAll(".fault")) f.remove();
    try {
      const answer = await fetch("/api/v1/jobs", { method: "POST",
        headers: { "Content-Type": "application/json", "Idempotency-Key": key }, body: JSON.stringify({ engine: engine() }) });
      const doc = await answer.json();
      if (answer.ok) { location.assign("/jobs/" + doc.id); return; }
      said.textContent = doc.title + (doc.errors ? "" : ": " + doc.detail);
      for (const e of doc.errors || []) {
        const field = form.elements[e.pointer.split("/")[2]];
        const p = Object.assign(document.createElement("small"), { className: "fault", textContent: e.detail + "; " + e.fix });
        if (field) field.after(p); else said.append(". " + p.textContent);
      }
    } catch (e) {
      said.textContent = "The program does not answer. Is it still running?";
    }
  });
})();
