// Takes a board down: each tap is shown at once, stored at once, kept until it is stored, and
// carries a key by which the server knows it again when it is sent twice.
"use strict";
(() => {
  const root = document.getElementById("take-down");
  const board = root.dataset.board;
  const api = `/api/boards/${encodeURIComponent(board)}`;
  const fields = ["through", "char", "mark", "note"];
  const asked = root.dataset.operation === "cut" ? ["through", "char"] : ["mark"];
  const cells = [...root.querySelectorAll(".cell")];
  const byCode = new Map(cells.map((cell) => [cell.dataset.cell, cell]));
  const status = document.querySelector(".status");
  const said = document.getElementById("status");
  const undoButton = document.getElementById("undo");
  const noteForm = document.getElementById("note-form");
  const note = document.getElementById("note");
  const store = storage();
  const queue = waitingTaps(); // taps that aren't stored yet, oldest first
  const stored = new Map(); // what the server said last of each cell
  const done = []; // keys of own taps that can be taken back, newest last
  let current = null;
  let sending = false;
  let pause = 1000;
  let timer = 0;

  // ---- the state of a cell, as it is drawn -------------------------------------------------

  const shown = (cell) => Object.fromEntries(fields.map((name) => [name, cell.dataset[name]]));
  const isRead = (state) => state.through !== "" || state.char !== "" || state.mark !== "";

  function draw(cell, state) {
    for (const name of fields) cell.dataset[name] = state[name];
    cell.querySelector(".grade").textContent = state.mark || state.char;
    const words = [cell.dataset.cell, cell.dataset.setting, stateWords(state)];
    cell.setAttribute("aria-label", words.join(", "));
  }

  function stateWords(state) {
    if (!isRead(state)) return "not read yet";
    const words = [];
    for (const name of asked) {
      const choice = root.querySelector(`[data-field=${name}] [data-value="${state[name]}"] .word`);
      if (choice && state[name] !== "") {
        const grade = name === "through" ? "" : `${name} ${state[name]}, `;
        words.push(grade + choice.textContent.toLowerCase());
      }
    }
    return words.join(", ");
  }

  const fromServer = (reading) => Object.fromEntries(
    fields.map((name) => [name, reading[name] === null ? "" : String(reading[name])]));

  /** What is to be shown of a cell: what is stored, with the waiting taps on top. */
  function expected(code) {
    let state = { ...stored.get(code) };
    for (const tap of queue) if (tap.cell === code) state = after(state, tap);
    return state;
  }

  function after(state, tap) {
    if (tap.kind === "back") return { ...tap.before };
    if (tap.clear) return { through: "", char: "", mark: "", note: "" };
    return { ...state, ...tap.given };
  }

  function redraw(code) {
    const cell = byCode.get(code);
    draw(cell, expected(code));
    cell.classList.toggle("waits", queue.some((tap) => tap.cell === code));
    progress();
    if (cell === current) ask(cell);
  }

  function progress() {
    const read = cells.filter((cell) => isRead(shown(cell))).length;
    document.getElementById("progress").value = read;
    document.getElementById("progress-words").textContent = `${read} of ${cells.length} read`;
    document.getElementById("all-read").hidden = nextOpen(null) !== null;
    undoButton.disabled = ownTaps().length === 0;
  }

  // ---- asking ------------------------------------------------------------------------------

  /** What is still to be asked of a cell; nothing more once a coupon isn't cut. */
  function openField(state) {
    if (asked[0] === "mark") return state.mark === "" ? "mark" : null;
    if (state.through === "") return "through";
    return state.through !== "no" && state.char === "" ? "char" : null;
  }

  function nextOpen(from) {
    const start = from === null ? 0 : cells.indexOf(from);
    for (let n = 0; n < cells.length; n += 1) {
      const cell = cells[(start + n) % cells.length];
      if (!cell.dataset.skipped && openField(shown(cell)) !== null) return cell;
    }
    return null;
  }

  function choose(cell, focus) {
    for (const other of cells) {
      other.classList.toggle("now", other === cell);
      other.setAttribute("tabindex", other === cell ? "0" : "-1");
      if (other === cell) other.setAttribute("aria-current", "true");
      else other.removeAttribute("aria-current");
    }
    if (current !== cell) note.value = cell.dataset.note;
    current = cell;
    delete cell.dataset.again;
    ask(cell);
    intoView(cell);
    if (focus) cell.focus({ preventScroll: true });
  }

  function ask(cell) {
    const state = shown(cell);
    const open = openField(state);
    document.getElementById("cell-title").textContent =
      `${cell.dataset.cell}: ${cell.dataset.setting.split(" (")[0]}`;
    for (const question of root.querySelectorAll(".question")) {
      const name = question.dataset.field;
      // A cell that is read shows all its answers, so that each can be corrected.
      const pointless = name === "char" && (state.through === "" || state.through === "no");
      question.hidden = open === null ? pointless : name !== open;
      for (const choice of question.querySelectorAll(".choice")) {
        choice.setAttribute("aria-pressed", String(choice.dataset.value === state[name]));
      }
    }
  }

  function intoView(cell) {
    const frame = root.querySelector(".board-frame");
    const at = cell.querySelector(".place").getBoundingClientRect();
    const box = frame.getBoundingClientRect();
    frame.scrollBy(at.left + at.width / 2 - box.left - box.width / 2,
      at.top + at.height / 2 - box.top - box.height / 2);
  }

  // ---- tapping -----------------------------------------------------------------------------

  function newKey() {
    // randomUUID needs an encrypted connection; a phone in the workshop has none.
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  function tap(cell, given, clear) {
    const code = cell.dataset.cell;
    put({ kind: "tap", key: newKey(), cell: code, given, clear: Boolean(clear), seen: expected(code) });
    redraw(code);
    say(`${code}: ${stateWords(shown(cell))} …`);
    send();
  }

  function answer(question, value) {
    const cell = current;
    const name = question.dataset.field;
    const corrects = openField(shown(cell)) === null;
    delete cell.dataset.skipped;
    tap(cell, { [name]: value });
    if (corrects) return;
    const following = nextOpen(cell);
    if (following !== null) choose(following, false);
    else progress();
  }

  /** Own taps that can still be taken back, newest last. */
  function ownTaps() {
    const gone = new Set(queue.filter((tap) => tap.kind === "back").map((tap) => tap.target));
    return [...done, ...queue.filter((tap) => tap.kind === "tap")].filter((tap) => !gone.has(tap.key));
  }

  function undo() {
    const last = ownTaps().at(-1);
    if (!last) return;
    const at = queue.indexOf(last);
    const unsent = at >= 0 && !last.tried; // it never left this page
    if (unsent) {
      queue.splice(at, 1);
      store.drop(last);
    } else {
      put({ kind: "back", key: newKey(), cell: last.cell, target: last.key, before: last.seen });
    }
    redraw(last.cell);
    choose(byCode.get(last.cell), false);
    // "taken back" is said of what the server has, never of what is still on its way to it.
    say(unsent ? `${last.cell} taken back.` : `Taking ${last.cell} back …`);
    send();
  }

  // ---- sending -----------------------------------------------------------------------------

  function storage() {
    // Private windows may have none; the queue is then in this page's memory alone.
    const prefix = `calib-${board}-`;
    const quietly = (work) => { try { return work(); } catch { return null; } };
    return {
      keep: (tap) => quietly(() => localStorage.setItem(prefix + tap.key, JSON.stringify(tap))),
      drop: (tap) => quietly(() => localStorage.removeItem(prefix + tap.key)),
      all: () => quietly(() => Object.keys(localStorage).filter((key) => key.startsWith(prefix))
        .map((key) => JSON.parse(localStorage.getItem(key)))) || [],
    };
  }

  function waitingTaps() {
    const known = new Set([...root.querySelectorAll(".cell")].map((cell) => cell.dataset.cell));
    return store.all().filter((tap) => known.has(tap.cell)).sort((a, b) => a.turn - b.turn);
  }

  function put(tap) {
    tap.turn = Date.now() + queue.length / 1000;
    queue.push(tap);
    store.keep(tap);
  }

  function request(tap) {
    if (tap.kind === "back") return [`${api}/take-backs`, { key: tap.key, target: tap.target }];
    const body = { key: tap.key, cell: tap.cell, seen: read(tap.seen) };
    return [`${api}/taps`, tap.clear ? body : { ...body, ...read(tap.given) }];
  }

  function read(state) {
    const given = {};
    for (const [name, value] of Object.entries(state)) {
      if (value !== "") given[name] = name === "char" || name === "mark" ? Number(value) : value;
    }
    return given;
  }

  async function post(url, body) {
    const response = await fetch(url, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(8000),
    });
    return { status: response.status, body: await response.json() };
  }

  async function send() {
    if (sending) return;
    sending = true;
    clearTimeout(timer);
    while (queue.length > 0) {
      const tap = queue[0];
      let result;
      tap.tried = true; // from now on it may be stored, whatever is heard of it
      store.keep(tap);
      try {
        result = await post(...request(tap));
      } catch {
        result = { status: 0 };
      }
      if (result.status === 0 || result.status === 408 || result.status >= 500) {
        later();
        break;
      }
      queue.shift(); // what is in flight is first: undo takes only what never left
      store.drop(tap);
      pause = 1000;
      if (result.status === 200) kept(tap, result.body);
      else refused(tap, result);
    }
    sending = false;
    waits();
  }

  function kept(tap, body) {
    const one = tap.kind === "tap" ? body : body.done[0];
    if (!one) return;
    stored.set(tap.cell, fromServer(one.reading));
    if (tap.kind === "tap" && (one.stored || one.again)) done.push(tap);
    if (tap.kind === "back") done.splice(done.findIndex((own) => own.key === tap.target), 1);
    redraw(tap.cell);
    if (tap.kind === "back") choose(byCode.get(tap.cell), false);
    const what = tap.kind === "tap" ? "stored" : "taken back, now";
    say(`${tap.cell} ${what}: ${stateWords(stored.get(tap.cell))}.`, "stored");
  }

  function refused(tap, result) {
    const error = result.body.error;
    if (error && error.reading) stored.set(tap.cell, fromServer(error.reading));
    redraw(tap.cell);
    choose(byCode.get(tap.cell), false);
    say(error ? error.message : "The server refused this tap.", "refused");
  }

  function later() {
    timer = setTimeout(send, pause);
    pause = Math.min(2 * pause, 10000);
  }

  function waits() {
    if (queue.length === 0) {
      if (status.classList.contains("waiting")) say("All that waited is stored.", "stored");
      return;
    }
    if (sending) return;
    const many = queue.length === 1 ? "1 tap is" : `${queue.length} taps are`;
    say(`No connection: ${many} waiting to be sent. Go on; leave this page open.`, "waiting");
  }

  function say(words, kind) {
    said.textContent = words;
    status.classList.remove("waiting", "refused", "stored");
    if (kind) status.classList.add(kind);
  }

  // ---- what others read, and photographs -----------------------------------------------------

  async function look() {
    if (document.hidden || queue.length > 0) return;
    let body;
    try {
      const response = await fetch(api, { signal: AbortSignal.timeout(8000) });
      if (!response.ok) return;
      body = await response.json();
    } catch { return; }
    if (queue.length > 0) return;
    const known = new Map(body.readings.map((reading) => [reading.cell, fromServer(reading)]));
    for (const code of byCode.keys()) {
      const now = known.get(code) || { through: "", char: "", mark: "", note: "" };
      if (JSON.stringify(now) === JSON.stringify(stored.get(code))) continue;
      stored.set(code, now);
      redraw(code);
    }
  }

  async function photograph(input, code) {
    const [file] = input.files;
    if (!file) return;
    const form = new FormData();
    form.append("photograph", file);
    form.append("cell", code);
    say("Sending the photograph …");
    try {
      const response = await fetch(`${api}/photographs`, { method: "POST", body: form });
      const body = await response.json();
      if (response.ok) say(`Photograph of ${code || "the board"} stored.`, "stored");
      else say(body.error.message, "refused");
    } catch {
      say("The photograph could not be sent. It doesn't wait: choose it again later.", "refused");
    }
    input.value = "";
  }

  // ---- hands -------------------------------------------------------------------------------

  const STEPS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 };
  const neighbour = (step) =>
    cells[(cells.indexOf(current) + step + cells.length) % cells.length];

  for (const cell of cells) {
    cell.addEventListener("click", () => choose(cell, true));
    cell.addEventListener("keydown", (event) => {
      if (event.key in STEPS) {
        event.preventDefault();
        choose(neighbour(STEPS[event.key]), true);
      } else if (event.key === "Enter" || event.key === " ") {
        event.preventDefault();
        choose(cell, true);
        root.querySelector(".question:not([hidden]) .choice").focus();
      }
    });
  }
  for (const question of root.querySelectorAll(".question")) {
    for (const choice of question.querySelectorAll(".choice")) {
      choice.addEventListener("click", () => answer(question, choice.dataset.value));
    }
  }
  document.getElementById("previous").addEventListener("click", () => choose(neighbour(-1), false));
  document.getElementById("next").addEventListener("click", () => choose(neighbour(1), false));
  document.getElementById("not-read").addEventListener("click", () => {
    const cell = current;
    cell.dataset.skipped = "yes";
    if (isRead(shown(cell)) || cell.dataset.note) tap(cell, {}, true);
    else say(`${cell.dataset.cell} stays empty: it counts as not burnt.`);
    const following = nextOpen(cell);
    if (following !== null) choose(following, false);
    else progress();
  });
  document.getElementById("open-note").addEventListener("click", (event) => {
    noteForm.hidden = !noteForm.hidden;
    event.currentTarget.setAttribute("aria-expanded", String(!noteForm.hidden));
    note.value = current.dataset.note;
  });
  noteForm.addEventListener("submit", (event) => {
    event.preventDefault();
    const words = note.value.replace(/\s+/g, " ").trim();
    if (words) tap(current, { note: words });
  });
  document.getElementById("photograph").addEventListener("change", (event) =>
    photograph(event.currentTarget, current.dataset.cell));
  document.getElementById("board-photograph").addEventListener("change", (event) =>
    photograph(event.currentTarget, ""));
  undoButton.addEventListener("click", undo);
  addEventListener("online", send);
  document.addEventListener("visibilitychange", look);
  setInterval(look, 5000);

  for (const cell of cells) stored.set(cell.dataset.cell, shown(cell));
  for (const code of new Set(queue.map((tap) => tap.cell))) redraw(code);
  choose(nextOpen(null) || cells[0], false);
  progress();
  if (queue.length > 0) send();
})();
