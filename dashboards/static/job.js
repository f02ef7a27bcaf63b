// The job page draws itself afresh when a sweep of this job ends.
"use strict";
(() => {
  const job = Number(document.getElementById("job").dataset.job);
  let stream;
  const listen = () => {
    stream = new EventSource("/api/v1/live");
    stream.addEventListener("sweep", e => { if (JSON.parse(e.data).job === job) freshSoon(); });
    stream.addEventListener("gap", freshSoon);
  };
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) stream.close(); else { listen(); freshSoon(); }
  });
  if (!document.hidden) listen(); else stream = { close() {} };
})();

// Name, reference, tags and notes are kept together.
document.addEventListener("submit", async event => {
  const form = event.target.closest("#about-job");
  if (!form) return;
  event.preventDefault();
  const field = name => form.elements[name].value.trim();
  const body = { name: field("name"), customer_reference: field("customer_reference"), notes: form.elements.notes.value,
    tags: field("tags").split(",").map(w => w.trim()).filter(Boolean) };
  try {
    const answer = await fetch("/api/v1/jobs/" + document.getElementById("job").dataset.job, { method: "PATCH",
      headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    if (!answer.ok) { say(complaint(await answer.json())); return; }
    await fresh();
    say(t("Kept."));
  } catch (e) {
    say(t("The program does not answer. Is it still running?"));
  }
});
