// The index view draws itself afresh when a sweep of this job ends, and copies
// the trims.
"use strict";
(() => {
  const job = Number(document.getElementById("crank").dataset.job);
  Live.on("sweep", e => { if (e.job === job) freshSoon(); }).on("gap", freshSoon);

  document.addEventListener("click", async event => {
    const button = event.target.closest("button[data-copy]");
    if (!button) return;
    const from = document.getElementById(button.dataset.copy);
    try {
      await navigator.clipboard.writeText(from.value);
      say(t("The trims are in the clipboard."));
    } catch (e) { // not over an insecure network, or not allowed
      from.select();
      say(t("They could not be copied: the text is selected, copy it by hand."));
    }
  });
})();
