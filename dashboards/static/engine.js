// The form of an engine: its fields become the engine in JSON, the crank star
// follows while one types, and what is wrong comes back to its field.
"use strict";
(() => {
  const form = document.getElementById("engine"), star = document.getElementById("star"), caption = document.getElementById("star-said");
  const usual = caption.textContent;
  const even = document.getElementById("even"), odd = document.getElementById("odd"), rows = document.getElementById("rows");
  const perUnit = document.documentElement.dataset.length === "in" ? 25.4 : 1;

  // value is what the API takes: a length in mm (one that nobody touched as it
  // was, so that another unit on the page changes nothing), a number, a text.
  function value(input) {
    const text = input.value.trim().replace("−", "-"), { kind, was, row } = input.dataset;
    if (text === "") return undefined;
    if (kind === "length" && was && input.value === input.defaultValue) return Number(was);
    if (!kind && !row) return text;
    const n = Number(text.replace(",", "."));
    if (!Number.isFinite(n)) return text; // the program says what is wrong with it
    return kind === "length" && perUnit !== 1 ? Math.round(n * perUnit * 1e6) / 1e6 : n;
  }

  function engine() {
    const e = {};
    for (const input of form.querySelectorAll("[name]")) if (input.name !== "firing_order") e[input.name] = value(input);
    if (!even.hidden) e.firing_order = form.elements.firing_order.value.split(/[^0-9]+/).filter(Boolean).map(Number);
    else e.cylinder = [...rows.rows].map(r => Object.fromEntries([...r.querySelectorAll("[data-row]")].map(i => [i.dataset.row, value(i)])));
    return e;
  }

  const send = (path, method, extra) => fetch(path, { method, headers: { "Content-Type": "application/json", ...extra }, body: JSON.stringify({ engine: engine() }) });

  let due = 0, asked = 0;
  function redraw() {
    clearTimeout(due);
    due = setTimeout(async () => {
      const mine = ++asked;
      try {
        const answer = await fetch("/api/v1/engines/star", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ engine: { ...engine(), name: "-" } }) });
        if (mine !== asked) return;
        if (answer.ok) {
          star.replaceChildren(new DOMParser().parseFromString(await answer.text(), "image/svg+xml").documentElement);
          caption.textContent = usual;
        } else {
          const fault = ((await answer.json()).errors || [])[0];
          caption.textContent = t("Not yet an engine: %s", fault ? fault.detail : "…");
        }
      } catch (e) { /* told when it is kept */ }
    }, 150);
  }

  function show(fault) {
    const [, , key, n, cell] = fault.pointer.split("/");
    let field = form.elements[key];
    if (key === "cylinder" && rows.rows[n]) field = rows.rows[n].querySelector("[data-row=" + CSS.escape(cell || "number") + "]");
    const note = Object.assign(document.createElement("small"), { className: "fault", textContent: fault.detail + "; " + fault.fix });
    if (field && field.after) { field.after(note); field.setAttribute("aria-invalid", "true"); } else say(note.textContent);
  }

  let key = crypto.randomUUID();
  form.addEventListener("input", () => { key = crypto.randomUUID(); redraw(); });
  form.addEventListener("submit", async event => {
    event.preventDefault();
    for (const f of form.querySelectorAll(".fault")) f.remove();
    for (const f of form.querySelectorAll("[aria-invalid]")) f.removeAttribute("aria-invalid");
    const id = Number(form.dataset.id);
    try {
      const answer = id ? await send("/api/v1/engines/" + id, "PATCH") : await send("/api/v1/engines", "POST", { "Idempotency-Key": key });
      const doc = await answer.json();
      if (!answer.ok) { say(doc.errors ? doc.title : complaint(doc)); (doc.errors || []).forEach(show); return; }
      if (!id) { location.assign("/engines/" + doc.id); return; }
      say(t("Kept."));
      document.getElementById("engine-name").textContent = doc.engine.name;
    } catch (e) {
      say(t("The program does not answer. Is it still running?"));
    }
  });

  form.addEventListener("click", event => {
    const button = event.target.closest("button");
    if (!button) return;
    if (button.dataset.firing) {
      even.hidden = button.dataset.firing !== "even";
      odd.hidden = !even.hidden;
      for (const b of form.querySelectorAll("[data-firing]")) b.setAttribute("aria-pressed", String(b === button));
    } else if ("remove" in button.dataset) {
      if (rows.rows.length > 1) button.closest("tr").remove();
    } else if (button.id === "add-row") {
      const row = rows.rows[rows.rows.length - 1].cloneNode(true);
      for (const i of row.querySelectorAll("input")) { i.removeAttribute("value"); delete i.dataset.was; i.value = i.dataset.row === "number" ? rows.rows.length + 1 : ""; }
      for (const f of row.querySelectorAll(".fault")) f.remove();
      rows.append(row);
      row.querySelector("[data-row=tdc_deg]").focus();
    } else return;
    redraw();
  });
})();
