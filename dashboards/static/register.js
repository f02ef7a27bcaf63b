// The form of an instrument's record: its fields become the record in JSON,
// what is wrong comes back to its field.
"use strict";
(() => {
  const form = document.getElementById("record");
  if (!form) return;
  const inch = document.documentElement.dataset.length === "in";
  const perUnit = { length: inch ? 25.4 : 1, small: inch ? 25.4e-6 : 1e-3 };
  const kind = form.elements.kind, id = Number(form.dataset.id);

  function fieldsOf() {
    for (const part of form.querySelectorAll("[data-of]")) part.hidden = !part.dataset.of.split(" ").includes(kind.value);
    for (const b of form.querySelectorAll("button[data-kind]")) b.setAttribute("aria-pressed", String(b.dataset.kind === kind.value));
  }

  // value is what the API takes; a field that nobody touched is as it was, so
  // that another unit on the page changes nothing.
  function value(input) {
    const text = input.value.trim().replace("−", "-"), { kind, was } = input.dataset;
    if (text === "") return undefined;
    if (!kind || kind === "day") return text;
    if (was && input.value === input.defaultValue) return Number(was);
    const n = Number(text.replace(",", "."));
    if (!Number.isFinite(n)) return text; // the program says what is wrong with it
    return Number((n * (perUnit[kind] || 1)).toPrecision(12));
  }

  // unsaid takes away what was kept.
  const unsaid = (input, key) => key === "u95_mm" || key === "due_at" ? null : input.dataset.kind && input.dataset.kind !== "day" ? 0 : "";

  function record() {
    const r = {};
    for (const input of form.querySelectorAll("[name]")) {
      if (input.closest("[data-of][hidden]")) continue;
      const v = value(input), [key, sub] = input.name.split("/");
      if (sub) r[key] ||= {};
      if (key === "plugged") {
        const chosen = input.selectedOptions[0];
        if (v || id) { r.bench_name = v || ""; r.identity = chosen.dataset.identity || ""; }
      } else if (v === undefined) { if (id && !sub) r[key] = unsaid(input, key); }
      else if (key === "due_at") r.due_at = /^\d{4}-\d\d-\d\d$/.test(v) ? v + "T00:00:00Z" : v;
      else if (sub) (r[key] ||= {})[sub] = v;
      else r[key] = v;
    }
    return r;
  }

  function show(fault) {
    const parts = fault.pointer.split("/").slice(1);
    const names = [parts.join("/"), parts.slice(1).join("/"), parts.slice(-1)[0]].map(n => /^(identity|bench_name)$/.test(n) ? "plugged" : n);
    const field = names.map(n => form.elements[n]).find(f => f && f.after && f.type !== "hidden");
    const note = Object.assign(document.createElement("small"), { className: "fault", textContent: fault.detail + "; " + fault.fix, id: "fault-" + parts.join("-") });
    if (!field) { say(note.textContent); return; }
    field.after(note);
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", note.id);
  }

  let key = crypto.randomUUID();
  form.addEventListener("input", () => { key = crypto.randomUUID(); });
  form.addEventListener("click", e => {
    const b = e.target.closest("button[data-kind]");
    if (!b) return;
    kind.value = b.dataset.kind;
    key = crypto.randomUUID();
    fieldsOf();
  });
  form.addEventListener("submit", async event => {
    event.preventDefault();
    for (const f of form.querySelectorAll(".fault")) f.remove();
    for (const f of form.querySelectorAll("[aria-invalid]")) { f.removeAttribute("aria-invalid"); f.removeAttribute("aria-describedby"); }
    const unread = [...form.querySelectorAll("input[data-kind]")].filter(i => !i.closest("[data-of][hidden]") && i.dataset.kind !== "day" && typeof value(i) === "string");
    for (const i of unread) show({ pointer: "/record/" + i.name, detail: t("this is no number"), fix: t("write plain digits, such as 12.5") });
    if (unread.length) { say(""); unread[0].focus(); return; }
    const body = JSON.stringify({ record: record() }), headers = { "Content-Type": "application/json" };
    try {
      const answer = id ? await fetch("/api/v1/instruments/" + id, { method: "PATCH", headers, body })
        : await fetch("/api/v1/instruments", { method: "POST", headers: { ...headers, "Idempotency-Key": key }, body });
      const doc = await answer.json();
      if (!answer.ok) {
        say(doc.errors ? doc.title : complaint(doc));
        (doc.errors || []).forEach(show);
        form.querySelector("[aria-invalid]")?.focus();
        return;
      }
      if (!id) { location.assign("/register/" + doc.id); return; }
      location.reload();
    } catch { say(t("The program does not answer. Is it still running?")); }
  });
  fieldsOf();
})();
