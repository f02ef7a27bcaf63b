// An engine file goes to the library as it is; what is wrong with it comes
// back line by line.
"use strict";
(() => {
  const form = document.getElementById("import-form"), said = document.getElementById("said");
  form.addEventListener("submit", async event => {
    event.preventDefault();
    const file = form.elements.file.files[0];
    if (!file) return;
    try {
      const answer = await fetch("/api/v1/engines", { method: "POST",
        headers: { "Content-Type": "application/toml", "Idempotency-Key": crypto.randomUUID() }, body: await file.text() });
      const doc = await answer.json();
      if (answer.ok) { location.assign("/engines/" + doc.id); return; }
      const list = document.createElement("ul");
      for (const e of doc.errors || [{ detail: doc.detail, fix: doc.fix }])
        list.append(Object.assign(document.createElement("li"), { textContent: e.detail + "; " + e.fix }));
      said.replaceChildren(Object.assign(document.createElement("p"), { textContent: file.name + ": " + t("The file was not taken; nothing was changed.") }), list);
    } catch (e) {
      said.textContent = t("The program does not answer. Is it still running?");
    }
  });
})();
