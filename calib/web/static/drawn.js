// What a drawing takes is worked out anew as soon as something is chosen; without this, by the button.
"use strict";
(() => {
  const form = document.getElementById("drawn-form");
  let turn = 0;
  async function renew() {
    const address = `${form.action}?${new URLSearchParams(new FormData(form))}`;
    const mine = (turn += 1);
    const told = document.getElementById("told");
    told.classList.add("stale");
    try {
      const answer = await (await fetch(address)).text();
      if (mine !== turn) return;
      const page = new DOMParser().parseFromString(answer, "text/html");
      for (const id of ["picture", "told"]) {
        const fresh = page.getElementById(id);
        if (fresh) document.getElementById(id).replaceWith(document.adoptNode(fresh));
      }
      history.replaceState(null, "", address);
    } catch {
      told.classList.remove("stale"); // the button still asks
    }
  }
  form.addEventListener("change", renew);
})();
