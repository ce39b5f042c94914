// Takes a board down. What is said of one cell is one look: it is shown at once, stored as a whole as
// soon as it is complete or the cell is left, and carries a key by which the server knows it again
// when it is sent twice, and what was seen of the cell before it.
"use strict";
(() => {
  const root = document.getElementById("record-board");
  const board = root.dataset.board;
  const api = `/api/boards/${encodeURIComponent(board)}`;
  const boardKey = root.dataset.key;
  const grades = ["through", "char", "mark"];
  const fields = [...grades, "note"];
  const asked = root.dataset.operation === "cut" ? ["through", "char"] : ["mark"];
  const cells = [...root.querySelectorAll(".cell")];
  const byCode = new Map(cells.map((cell) => [cell.dataset.cell, cell]));
  const foot = document.querySelector(".status");
  const said = document.getElementById("status");
  const undoButton = document.getElementById("undo");
  const noteForm = document.getElementById("note-form");
  const note = document.getElementById("note");
  const section = root.querySelector(".asked");
  const which = document.getElementById("which");
  const queue = waitingTaps(); // taps that aren't stored yet, oldest first
  const stored = new Map(); // what the server said last of each cell
  const done = []; // own taps that can be taken back, newest last
  let takenBack = ""; // said beside what waits, until the next tap
  const mine = ownLooks(); // ids of the looks that were taken on this device
  const SETTLES_MS = 300; // the second tap of a double tap comes sooner, and meant the question before
  let current = null;
  let lastAsked = "";
  let settling = 0;

  // ---- the state of a cell, as it is drawn -------------------------------------------------

  const shown = (cell) => ({
    ...Object.fromEntries(fields.map((name) => [name, cell.dataset[name]])),
    id: cell.dataset.id,
    apart: cell.dataset.apart ? JSON.parse(cell.dataset.apart) : [],
  });
  const isRead = (state) => grades.some((name) => state[name] !== "");

  function draw(cell, state) {
    for (const name of fields) cell.dataset[name] = state[name];
    cell.dataset.id = state.id;
    cell.dataset.apart = state.apart.length > 0 ? JSON.stringify(state.apart) : "";
    cell.classList.toggle("apart", state.apart.length > 0);
    cell.querySelector(".grade").textContent =
      state.apart.length > 0 ? "?" : state.mark || state.char;
    const words = [cell.dataset.cell, cell.dataset.setting, stateWords(state)];
    cell.setAttribute("aria-label", words.join(", "));
  }

  function stateWords(state) {
    if (state.apart && state.apart.length > 0) {
      return `read twice, and differently: ${state.apart.map(stateWords).join(" / ")}`;
    }
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

  const text = (value) => (value === null ? "" : String(value));
  const oneLook = (look) => ({
    ...Object.fromEntries(fields.map((name) => [name, text(look[name])])), id: look.id });
  const fromServer = (look) => ({ ...oneLook(look), apart: look.apart.map(oneLook) });

  /** What is to be shown of a cell: what is stored, with the waiting taps on top. */
  function expected(code) {
    let state = { ...stored.get(code) };
    for (const tap of queue) if (tap.cell === code && !tap.refused) state = after(state, tap);
    return state;
  }

  function after(state, tap) {
    if (tap.kind === "back") return { ...tap.before, id: tap.key };
    if (tap.noteOnly) return { ...state, ...tap.given, id: tap.key };
    const note = tap.given.note === undefined ? state.note : tap.given.note;
    return { ...tap.given, note, id: tap.key, apart: [] };
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

  /** The look at a cell of which the second half is still to come. */
  const held = (code) => queue.find((tap) => tap.held && tap.cell === code);

  /** Whoever leaves a cell has said what he wants to say of it. */
  function release(but) {
    for (const tap of queue) {
      if (!tap.held || tap.cell === but) continue;
      delete tap.held;
      calibTaps.keep(tap);
      say(`${tap.cell}: ${stateWords(expected(tap.cell))} …`);
    }
    send();
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
    if (current !== cell) {
      note.value = cell.dataset.note;
      delete cell.dataset.anew;
    }
    current = cell;
    release(cell.dataset.cell);
    ask(cell);
    intoView(cell);
    if (focus) cell.focus({ preventScroll: true });
  }

  function ask(cell) {
    const state = shown(cell);
    const open = openField(state);
    document.getElementById("cell-title").textContent =
      `${cell.dataset.cell}: ${cell.dataset.setting.split(" (")[0]}`;
    const choosing = state.apart.length > 0 && !cell.dataset.anew;
    if (choosing) offer(state.apart);
    which.hidden = !choosing;
    for (const question of root.querySelectorAll(".question[data-field]")) {
      const name = question.dataset.field;
      // A cell that is read shows all its answers, so that each can be corrected.
      const pointless = name === "char" && (state.through === "" || state.through === "no");
      question.hidden = choosing || (open === null ? pointless : name !== open);
      for (const choice of question.querySelectorAll(".choice")) {
        choice.setAttribute("aria-pressed", String(choice.dataset.value === state[name]));
      }
    }
    settle(`${cell.dataset.cell} ${choosing ? state.id : open}`);
  }

  /** A question that has just changed takes no answer yet. */
  function settle(question) {
    if (question === lastAsked) return;
    lastAsked = question;
    section.dataset.fresh = "yes";
    clearTimeout(settling);
    settling = setTimeout(() => delete section.dataset.fresh, SETTLES_MS);
  }

  /** Two looks differ: which is right? */
  function offer(looks) {
    const choices = which.querySelector(".choices");
    choices.replaceChildren(...looks.map((look) => {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "choice";
      const word = document.createElement("span");
      word.className = "word";
      const said = stateWords({ ...look, apart: [] });
      word.textContent = said[0].toUpperCase() + said.slice(1);
      const hint = document.createElement("span");
      hint.className = "hint";
      hint.textContent = mine.has(look.id) ? "read on this device" : "read by somebody else";
      button.append(word, " ", hint);
      button.addEventListener("click", () => {
        if (section.dataset.fresh) return;
        tap(current, Object.fromEntries(grades.map((name) => [name, look[name]])));
        goOn();
      });
      return button;
    }));
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

  function tap(cell, given, how) {
    const code = cell.dataset.cell;
    const before = expected(code);
    put({ kind: "tap", key: newKey(), cell: code, given, saw: before.id, before, ...how });
    takenBack = "";
    redraw(code);
    say(`${code}: ${stateWords(shown(cell))} …`);
    send();
  }

  function answer(question, value) {
    if (section.dataset.fresh) return;
    const cell = current;
    const state = shown(cell);
    const name = question.dataset.field;
    const corrects = openField(state) === null;
    const open = held(cell.dataset.cell);
    delete cell.dataset.skipped;
    delete cell.dataset.anew;
    const given = Object.fromEntries(grades.map((one) => [one, state[one]]));
    given[name] = value;
    if (given.through === "no") given.char = "";
    if (open) {
      open.given = given;
      delete open.held;
      calibTaps.keep(open);
      redraw(cell.dataset.cell);
      say(`${cell.dataset.cell}: ${stateWords(shown(cell))} …`);
      send();
    } else {
      const half = openField({ ...given, id: "", apart: [] }) !== null;
      tap(cell, given, half ? { held: true } : {});
    }
    if (!corrects) goOn();
  }

  function goOn() {
    const following = nextOpen(current);
    if (following !== null) choose(following, false);
    else progress();
  }

  /** Own taps that can still be taken back, newest last. */
  function ownTaps() {
    const gone = new Set(queue.filter((tap) => tap.kind === "back").map((tap) => tap.target));
    return [...done, ...queue.filter((tap) => tap.kind === "tap" && !tap.refused)].filter((tap) => !gone.has(tap.key));
  }

  function undo() {
    const last = ownTaps().at(-1);
    if (!last) return;
    const at = queue.indexOf(last);
    const unsent = at >= 0 && !last.tried; // it never left this page
    if (unsent) {
      queue.splice(at, 1);
      calibTaps.drop(last);
    } else {
      put({ kind: "back", key: newKey(), cell: last.cell, target: last.key, before: last.before });
    }
    redraw(last.cell);
    choose(byCode.get(last.cell), false);
    // "taken back" is said of what the server has, never of what is still on its way to it.
    takenBack = unsent ? `${last.cell} taken back.` : "";
    say(takenBack || `Taking ${last.cell} back …`);
    send();
  }

  // ---- sending -----------------------------------------------------------------------------

  function waitingTaps() {
    return calibTaps.all().filter((tap) => tap.boardKey === boardKey && byCode.has(tap.cell));
  }

  function put(tap) {
    tap.board = board;
    tap.boardKey = boardKey;
    tap.turn = Date.now() + queue.length / 1000;
    queue.push(tap);
    calibTaps.keep(tap);
  }

  function ownLooks() {
    const place = `calib-looks-${boardKey}`;
    const known = new Set();
    try { for (const id of JSON.parse(localStorage.getItem(place) || "[]")) known.add(id); } catch {}
    return {
      has: (id) => known.has(id),
      add: (id) => {
        known.add(id);
        try { localStorage.setItem(place, JSON.stringify([...known])); } catch {}
      },
    };
  }

  const sendQueue = calibTaps.sender(queue, { stored: kept, refused, rests });
  function send() { sendQueue(); }

  function kept(tap, body) {
    const one = tap.kind === "tap" ? body : body.done[0];
    if (!one) return;
    stored.set(tap.cell, fromServer(one.reading));
    if (tap.kind === "tap") mine.add(one.look);
    if (tap.kind === "tap" && (one.stored || one.again)) done.push(tap);
    if (tap.kind === "back") done.splice(done.findIndex((own) => own.key === tap.target), 1);
    redraw(tap.cell);
    if (one.reading.apart.length > 0) {
      choose(byCode.get(tap.cell), false);
      say(`${tap.cell} was read otherwise by somebody else meanwhile. Both are kept: which is right?`,
        "refused");
      return;
    }
    if (tap.kind === "back") choose(byCode.get(tap.cell), false);
    const what = tap.kind === "tap" ? "stored" : "taken back, now";
    say(`${tap.cell} ${what}: ${stateWords(stored.get(tap.cell))}.`, "stored");
  }

  function refused(tap, body) {
    const error = body.error;
    if (error && error.reading) stored.set(tap.cell, fromServer(error.reading));
    redraw(tap.cell);
    choose(byCode.get(tap.cell), false);
    say(error ? error.message : "The server refused this tap.", "refused");
  }

  function rests(status) {
    const waiting = queue.filter((tap) => !tap.held);
    refreshDrop();
    if (waiting.length > 0) say(`${takenBack} ${calibTaps.words(waiting, status)}`.trim(), "waiting");
    else if (foot.classList.contains("waiting")) say("All that waited is stored.", "stored");
  }

  const refreshDrop = calibTaps.dropper(document.getElementById("drop"), queue, () => {
    for (const cell of cells) redraw(cell.dataset.cell);
    refreshDrop();
    say("Dropped.");
  });

  function say(words, kind) {
    said.textContent = words;
    foot.classList.remove("waiting", "refused", "stored");
    if (kind) foot.classList.add(kind);
  }

  // ---- what others read, and photographs -----------------------------------------------------

  const toSend = () => queue.some((tap) => !tap.refused && !tap.held);

  async function look() {
    if (document.hidden || toSend()) return;
    let body;
    try {
      const response = await fetch(api, { signal: AbortSignal.timeout(8000) });
      if (response.status === 401) rests(401);
      if (!response.ok) return;
      body = await response.json();
    } catch { return; }
    if (toSend()) return;
    const known = new Map(body.readings.map((reading) => [reading.cell, fromServer(reading)]));
    for (const code of byCode.keys()) {
      const now = known.get(code) || { through: "", char: "", mark: "", note: "", id: "", apart: [] };
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
  document.getElementById("anew").addEventListener("click", () => {
    current.dataset.anew = "yes";
    ask(current);
  });
  for (const question of root.querySelectorAll(".question[data-field]")) {
    for (const choice of question.querySelectorAll(".choice")) {
      choice.addEventListener("click", () => answer(question, choice.dataset.value));
    }
  }
  document.getElementById("previous").addEventListener("click", () => choose(neighbour(-1), false));
  document.getElementById("next").addEventListener("click", () => choose(neighbour(1), false));
  document.getElementById("not-read").addEventListener("click", () => {
    if (section.dataset.fresh) return;
    const cell = current;
    const state = shown(cell);
    cell.dataset.skipped = "yes";
    const nothing = { through: "", char: "", mark: "", note: "" };
    if (isRead(state) || state.note || state.apart.length > 0) tap(cell, nothing);
    else say(`${cell.dataset.cell} stays empty: it counts as not burnt.`);
    goOn();
  });
  document.getElementById("open-note").addEventListener("click", (event) => {
    noteForm.hidden = !noteForm.hidden;
    event.currentTarget.setAttribute("aria-expanded", String(!noteForm.hidden));
    note.value = current.dataset.note;
  });
  noteForm.addEventListener("submit", (event) => {
    event.preventDefault();
    const words = note.value.replace(/\s+/g, " ").trim();
    if (!words) return;
    release("");
    tap(current, { note: words }, { noteOnly: true });
  });
  document.getElementById("photograph").addEventListener("change", (event) =>
    photograph(event.currentTarget, current.dataset.cell));
  document.getElementById("board-photograph").addEventListener("change", (event) =>
    photograph(event.currentTarget, ""));
  undoButton.addEventListener("click", undo);
  addEventListener("online", send);
  addEventListener("pagehide", () => release(""));
  document.addEventListener("visibilitychange", look);
  setInterval(look, 5000);

  for (const cell of cells) stored.set(cell.dataset.cell, shown(cell));
  for (const code of new Set(queue.map((tap) => tap.cell))) redraw(code);
  const half = queue.find((tap) => tap.held);
  choose((half && byCode.get(half.cell)) || nextOpen(null) || cells[0], false);
  progress();
  for (const tap of queue) delete tap.refused; // it is tried once more
  send();
})();
