// Taps that wait on this device. They stay in its storage, whatever becomes of page, session or
// server, until the server has stored them or the maker drops them; every page sends them.
"use strict";
const calibTaps = (() => {
  const PREFIX = "calib-tap-";
  // Nothing is wrong with a tap that is answered so: the device isn't let in, or nobody answers.
  const LATER = new Set([0, 401, 403, 408, 421, 429]);
  // Private windows may have no storage; taps are then in the page's memory alone.
  const quietly = (work) => { try { return work(); } catch { return null; } };

  const keep = (tap) => quietly(() => localStorage.setItem(PREFIX + tap.key, JSON.stringify(tap)));
  const drop = (tap) => quietly(() => localStorage.removeItem(PREFIX + tap.key));
  const all = () => (quietly(() => Object.keys(localStorage)
    .filter((key) => key.startsWith(PREFIX))
    .map((key) => JSON.parse(localStorage.getItem(key)))) || [])
    .sort((a, b) => a.turn - b.turn);

  function request(tap) {
    const api = `/api/boards/${encodeURIComponent(tap.board)}`;
    if (tap.kind === "back") return [`${api}/take-backs`, { key: tap.key, target: tap.target }];
    const body = { key: tap.key, cell: tap.cell, saw: tap.saw, board: tap.boardKey };
    body.age_s = Math.max(0, (Date.now() - tap.turn) / 1000);
    for (const [name, value] of Object.entries(tap.given)) {
      if (value !== "") body[name] = name === "char" || name === "mark" ? Number(value) : value;
    }
    return [`${api}/taps`, body];
  }

  async function post(tap) {
    const [url, body] = request(tap);
    try {
      const response = await fetch(url, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(body),
        signal: AbortSignal.timeout(8000),
      });
      return { status: response.status, body: await response.json() };
    } catch {
      return { status: 0 };
    }
  }

  /** Sends what is in a queue, oldest first; `on` is told what was stored, refused, and the rest. */
  function sender(queue, on) {
    let sending = false;
    let pause = 1000;
    let timer = 0;
    async function send() {
      if (sending) return;
      sending = true;
      clearTimeout(timer);
      let status = 200;
      for (let tap; (tap = queue.find((one) => !one.refused));) {
        tap.tried = true; // from now on it may be stored, whatever is heard of it
        keep(tap);
        const result = await post(tap);
        status = result.status;
        if (LATER.has(status) || status >= 500) {
          timer = setTimeout(send, pause);
          pause = Math.min(2 * pause, 10000);
          break;
        }
        pause = 1000;
        const isStored = status === 200;
        if (!isStored && tap.kind === "tap") {
          tap.refused = result.body.error ? result.body.error.message : calibSay("refused");
          keep(tap);
          on.refused(tap, result.body);
          continue;
        }
        if (queue.includes(tap)) queue.splice(queue.indexOf(tap), 1);
        drop(tap);
        if (isStored) on.stored(tap, result.body);
        else on.refused(tap, result.body);
      }
      sending = false;
      on.rests(status);
    }
    return send;
  }

  /** Says how many wait, and why. */
  function words(queue, status) {
    const count = queue.length;
    const many = count === 1 ? calibSay("tap_waits") : calibSay("taps_wait", { count });
    if (status === 401) return calibSay("not_let_in", { many });
    const refused = queue.find((tap) => tap.refused);
    if (!refused) return calibSay("no_connection", { many });
    return calibSay("refused_and_waiting", { many, cell: refused.cell, why: refused.refused });
  }

  /** A button that drops what waits, once it is pressed twice. */
  function dropper(button, queue, after) {
    let sure = 0;
    button.addEventListener("click", () => {
      if (sure !== queue.length) {
        sure = queue.length;
        button.textContent = sure === 1 ? calibSay("drop_it") : calibSay("drop_them", { sure });
        return;
      }
      for (const tap of queue.splice(0)) drop(tap);
      after();
    });
    return () => {
      sure = 0;
      button.hidden = queue.length === 0;
      button.textContent = calibSay("drop");
    };
  }

  return { all, keep, drop, sender, words, dropper };
})();

// Wherever one comes in again, what waits is sent.
(() => {
  const box = document.getElementById("waiting-taps");
  const queue = box ? calibTaps.all() : []; // the page of a board sends its own
  if (queue.length === 0) return;
  for (const tap of queue) {
    delete tap.refused;
    calibTaps.keep(tap);
  }
  const says = box.querySelector("p");
  let many = 0;
  function show(text) {
    box.hidden = false;
    says.textContent = text;
    refresh();
  }
  const refresh = calibTaps.dropper(box.querySelector("button"), queue, () => show(calibSay("dropped")));
  const send = calibTaps.sender(queue, {
    stored: (tap) => { if (tap.kind === "tap") many += 1; },
    refused: () => {},
    rests: (status) => {
      if (queue.length > 0) show(calibTaps.words(queue, status));
      else show(many === 1 ? calibSay("waited_tap_stored") : calibSay("waited_taps_stored", { many }));
    },
  });
  addEventListener("online", send);
  send();
})();
