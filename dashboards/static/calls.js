// Buttons that call the API, and parts of the page that can be drawn afresh.
"use strict";

const say = text => { const s = document.getElementById("said"); if (s) s.textContent = text; };

// fresh fetches this page again and swaps the parts that changed. What a person
// is typing in stays; opened details stay open. An answer that was overtaken by
// that of a later call is old news.
let freshAsked = 0, freshShown = 0;
async function fresh() {
  const mine = ++freshAsked;
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  if (mine < freshShown) return;
  freshShown = mine;
  for (const old of document.querySelectorAll(".fresh[id], #recording")) {
    const now = page.getElementById(old.id);
    if (!now || now.outerHTML === old.dataset.was) continue;
    const typing = old.contains(document.activeElement) && /INPUT|SELECT|TEXTAREA/.test(document.activeElement.tagName);
    if (typing) continue;
    const was = now.outerHTML, focus = old.contains(document.activeElement) ? document.activeElement.dataset : null;
    for (const d of old.querySelectorAll("details[open][id]")) {
      const same = now.querySelector("#" + CSS.escape(d.id));
      if (same) same.open = true;
    }
    now.dataset.was = was;
    old.replaceWith(now);
    if (focus) [...now.querySelectorAll("button")].find(b => b.dataset.path === focus.path && b.dataset.body === focus.body)?.focus();
  }
  const main = page.querySelector("main"), here = document.querySelector("main");
  if (main && here) Object.assign(here.dataset, main.dataset);
  document.dispatchEvent(new Event("fresh"));
}

// several wishes for a fresh page soon after another are one.
let due = 0;
const freshSoon = () => { clearTimeout(due); due = setTimeout(() => fresh().catch(() => {}), 150); };

function request(button) {
  const d = button.dataset;
  const body = d.body ? JSON.parse(d.body) : undefined;
  let path = d.path;
  if (d.number) {
    const [key, id] = d.number.split(":");
    const text = document.getElementById(id).value.trim();
    if (text === "" || !Number.isFinite(Number(text))) return null;
    body[key] = Number(text);
  }
  if (d.reason) path += "?reason=" + encodeURIComponent(document.getElementById(d.reason).value);
  const headers = { "Idempotency-Key": crypto.randomUUID() };
  if (body) headers["Content-Type"] = "application/json";
  return fetch(path, { method: d.method, headers, body: body && JSON.stringify(body) });
}

const complaint = p => [p.title, ...(p.errors || []).map(e => e.detail + ": " + e.fix), p.errors ? "" : [p.detail, p.fix].filter(Boolean).join(": ")].filter(Boolean).join(". ");

document.addEventListener("click", async event => {
  const button = event.target.closest("button[data-path]");
  if (!button) return;
  button.disabled = true;
  try {
    const answer = await request(button);
    if (!answer) { say(t("Write the number first; nothing was sent.")); return; }
    if (answer.ok && "reload" in button.dataset) { location.reload(); return; }
    say(answer.ok ? t("Done: %s.", button.textContent.trim()) : complaint(await answer.json()));
    if (answer.ok && button.dataset.then) { location.href = button.dataset.then; return; }
    await fresh();
  } catch (e) {
    say(t("The program does not answer. Is it still running?"));
  } finally {
    button.disabled = false;
  }
});
