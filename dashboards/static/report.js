// The draft's form: issues the report once, however often it is pressed.
"use strict";
(() => {
  const form = document.getElementById("issue"), said = document.getElementById("said"), press = form.querySelector("button[type=submit]");
  const texts = JSON.parse(document.querySelector("meta[name=texts]").content);
  const key = crypto.randomUUID(); // one a page: a bounced press is the same press
  addEventListener("pageshow", e => { if (e.persisted) location.reload(); });
  const choices = name => [...form.querySelectorAll("button[data-name=" + name + "]")];
  const chosen = name => choices(name).find(b => b.ariaPressed === "true").dataset.value;
  const typed = name => form.elements[name + "_typed"].value.trim() || chosen(name);

  form.addEventListener("click", e => {
    const b = e.target.closest("button[data-name]");
    if (!b) return;
    for (const other of choices(b.dataset.name)) other.ariaPressed = String(other === b);
    const field = form.elements[b.dataset.name + "_typed"];
    if (field) field.value = "";
  });

  form.addEventListener("submit", async e => {
    e.preventDefault();
    press.disabled = true;
    said.textContent = texts["Issuing …"];
    const t = typed("temperature");
    const body = { temperature_c: t === "" ? null : Number(t), rings: chosen("rings"), encoder_end: chosen("encoder_end"), measured_by: typed("measured_by") };
    try {
      const answer = await fetch(form.dataset.path, { method: "POST", headers: { "Content-Type": "application/json", "Idempotency-Key": key }, body: JSON.stringify(body) });
      const doc = await answer.json();
      if (answer.ok) { location.assign("/reports/" + doc.number + location.search); return; }
      said.textContent = [doc.title, ...(doc.errors || []).map(f => f.detail + ": " + f.fix), doc.errors ? "" : doc.detail + ": " + doc.fix].filter(Boolean).join(". ");
    } catch (e) {
      said.textContent = texts["The program does not answer. Is it still running?"];
    }
    press.disabled = false;
  });
})();
