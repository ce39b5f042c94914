// What every page does: a form that takes some seconds says so, and isn't sent twice.
"use strict";
const calibSentences = JSON.parse(document.getElementById("sentences").textContent);
/** The sentence of a key, with its values put in. */
const calibSay = (key, values = {}) =>
  calibSentences[key].replace(/{(\w+)}/g, (_, name) => values[name]);

for (const form of document.querySelectorAll("form[method=post]")) {
  form.addEventListener("submit", () => {
    const button = form.querySelector("button[type=submit]");
    if (!button || form.dataset.sent) return;
    form.dataset.sent = "yes";
    const words = button.textContent;
    setTimeout(() => { button.disabled = true; button.textContent = calibSay("working"); }, 0);
    // A download leaves the page where it is; going back shows it again as it was.
    addEventListener("pageshow", () => {
      button.disabled = false;
      button.textContent = words;
      delete form.dataset.sent;
    });
  });
}
// A form that only leads on is found as it was filled in when one goes back to it.
for (const form of document.querySelectorAll("form[method=get]")) {
  form.addEventListener("submit", () => {
    if (new URL(form.action).pathname === location.pathname) return;
    const typed = new URLSearchParams(new FormData(form));
    history.replaceState(null, "", `${location.pathname}?${typed}`);
  });
}
// Another sheet: the machine on which it was burnt last, as long as nobody chose one himself.
for (const sheet of document.querySelectorAll("select[name=sheet]")) {
  const machine = sheet.form.querySelector("select[name=machine]");
  if (!machine) continue;
  let chosen = false;
  machine.addEventListener("change", () => { chosen = true; });
  sheet.addEventListener("change", () => {
    const last = sheet.selectedOptions[0].dataset.machine;
    if (last && !chosen) machine.value = last;
  });
}
// What a form tells is worked out anew as soon as something is chosen; without this, by its button.
for (const form of document.querySelectorAll("form[data-renews]")) {
  const ids = form.dataset.renews.split(" ");
  let turn = 0;
  form.addEventListener("change", async () => {
    const stores = form.method === "post";
    const given = new URLSearchParams(new FormData(form));
    const address = stores ? form.action : `${form.action}?${given}`;
    const mine = (turn += 1);
    const told = document.getElementById(ids.at(-1));
    told.classList.add("stale");
    try {
      const answer = await fetch(address, stores ? { method: "POST", body: given } : {});
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (mine !== turn) return;
      // What can't be taken is said by a page of its own.
      if (!page.getElementById(ids.at(-1))) return location.assign(answer.url);
      for (const id of ids) {
        document.getElementById(id).replaceWith(document.adoptNode(page.getElementById(id)));
      }
      if (!stores) history.replaceState(null, "", address);
    } catch {
      told.classList.remove("stale"); // the button still asks
    }
  });
}
// Usual values to tap, in place of typing.
for (const chips of document.querySelectorAll(".chips")) {
  chips.hidden = false;
  chips.addEventListener("click", (event) => {
    if (!event.target.matches("button")) return;
    document.getElementById(chips.dataset.for).value = event.target.textContent;
  });
}
