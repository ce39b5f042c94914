// Records a board, a cell a tap. What is said of one cell is shown and stored at once; it carries a
// key by which the server knows it again when it is sent twice, and what was seen of the cell before.
"use strict";
(() => {
  const root = document.getElementById("record-board");
  const board = root.dataset.board;
  const api = `/api/boards/${encodeURIComponent(board)}`;
  const boardKey = root.dataset.key;
  const grades = root.dataset.read.split(" ");
  const fields = [...grades, "note"];
  const cells = [...root.querySelectorAll(".cell")];
  const byCode = new Map(cells.map((cell) => [cell.dataset.cell, cell]));
  const foot = document.querySelector(".status");
  const said = document.getElementById("status");
  const undoButton = document.getElementById("undo");
  const note = document.getElementById("note");
  const charAt = document.getElementById("char-at");
  const pad = root.querySelector(".pad");
  const answers = pad.querySelector(".answers");
  const choices = [...root.querySelectorAll("[data-given]")];
  const which = document.getElementById("which");
  const queue = waitingTaps(); // taps that aren't stored yet, oldest first
  const stored = new Map(); // what the server said last of each cell
  const done = []; // own taps that can be taken back, newest last
  let takenBack = ""; // said beside what waits, until the next tap
  const mine = ownLooks(); // ids of the looks that were taken on this device
  const SETTLES_MS = 300; // the second tap of a double tap comes sooner, and meant the cell before
  let current = null;

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

  const nothing = Object.fromEntries(grades.map((name) => [name, ""]));
  const own = (button) => Object.entries(JSON.parse(button.dataset.given));
  // A button speaks of all that the buttons beside it speak of; what else was said of the cell stays.
  const given = (button) => Object.fromEntries([
    ...[...button.parentElement.children].flatMap(own).map(([name]) => [name, ""]),
    ...own(button).map(([name, value]) => [name, String(value)])]);
  const says = (button, state) =>
    Object.entries(given(button)).every(([name, value]) => state[name] === value);
  const wordsOf = (name, value) => {
    const button = value && choices.find((one) => given(one)[name] === value);
    if (!button) return "";
    const word = button.querySelector(".word").textContent.toLowerCase();
    return calibSay("grade_of_cell", { name, value, word });
  };
  const FELL = {
    through: calibSay("falls_free"), hanging: calibSay("hangs"), no: calibSay("not_cut"),
  };

  function stateWords(state) {
    if (state.apart && state.apart.length > 0) {
      const both = state.apart.map(stateWords).join(" / ");
      return calibSay("differ", { both });
    }
    if (!isRead(state)) return calibSay("not_read");
    return grades.map((name) => (name === "through" ? FELL[state[name]] : wordsOf(name, state[name])))
      .filter(Boolean).join(", ");
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
    document.getElementById("progress-words").textContent =
      calibSay("progress", { read, all: cells.length });
    document.getElementById("all-read").hidden = nextOpen(null) !== null;
    undoButton.disabled = ownTaps().length === 0;
  }

  // ---- asking ------------------------------------------------------------------------------

  function nextOpen(from) {
    const start = from === null ? 0 : cells.indexOf(from);
    for (let n = 0; n < cells.length; n += 1) {
      const cell = cells[(start + n) % cells.length];
      if (!cell.dataset.skipped && !isRead(shown(cell))) return cell;
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
    ask(cell);
    intoView(cell);
    if (focus) cell.focus({ preventScroll: true });
  }

  const named = (cell) => `${cell.dataset.cell}: ${cell.dataset.setting.split(" (")[0]}`;

  function ask(cell) {
    const state = shown(cell);
    document.getElementById("cell-title").textContent = named(cell);
    const choosing = state.apart.length > 0 && !cell.dataset.anew;
    if (choosing) offer(state.apart);
    which.hidden = !choosing;
    answers.hidden = choosing;
    for (const button of choices) button.setAttribute("aria-pressed", String(says(button, state)));
    // A coupon that hangs stays so, whatever its edge is.
    for (const button of answers.children) {
      if (given(button).through === "hanging" && state.through === "hanging") {
        button.setAttribute("aria-pressed", "true");
      }
    }
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
      hint.textContent = mine.has(look.id) ? calibSay("read_here") : calibSay("read_elsewhere");
      button.append(word, " ", hint);
      button.addEventListener("click", () => {
        answer(Object.fromEntries(grades.map((name) => [name, look[name]])));
      });
      return button;
    }));
  }

  const intoView = (cell) => cell.querySelector(".place")
    .scrollIntoView({ block: "center", inline: "center", behavior: "instant" });

  // ---- tapping -----------------------------------------------------------------------------

  function newKey() {
    // randomUUID needs an encrypted connection; a phone in the workshop has none.
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  }

  function tap(cell, given, how) {
    const code = cell.dataset.cell;
    const before = expected(code);
    // Where char is read holds for every cell from then on.
    if (charAt && charAt.value && given.char) given = { ...given, char_at: charAt.value };
    put({ kind: "tap", key: newKey(), cell: code, given, saw: before.id, before, ...how });
    takenBack = "";
    redraw(code);
    say(calibSay("tapped", { code, state: stateWords(shown(cell)) }));
    send();
  }

  function settle() {
    pad.dataset.fresh = "yes";
    setTimeout(() => delete pad.dataset.fresh, SETTLES_MS);
  }

  /** Say what came out of the cell at hand, and go on to the next one that is open. */
  function answer(grades) {
    if (pad.dataset.fresh) return;
    settle();
    const corrects = isRead(shown(current));
    delete current.dataset.skipped;
    delete current.dataset.anew;
    const before = shown(current);
    const stays = Object.fromEntries(Object.keys(nothing).map((name) => [name, before[name]]));
    tap(current, { ...stays, ...grades });
    if (!corrects) goOn();
  }

  function goOn() {
    const following = nextOpen(current);
    if (following === null) return progress();
    choose(following, false);
    said.textContent += ` ${calibSay("next", { cell: named(following) })}`;
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
    takenBack = unsent ? calibSay("taken_back", { cell: last.cell }) : "";
    say(takenBack || calibSay("taking_back", { cell: last.cell }));
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
      say(calibSay("read_otherwise", { cell: tap.cell }), "refused");
      return;
    }
    if (tap.kind === "back") choose(byCode.get(tap.cell), false);
    const [cell, state] = [tap.cell, stateWords(stored.get(tap.cell))];
    const what = tap.kind === "tap"
      ? calibSay("stored", { cell, state }) : calibSay("taken_back_now", { cell, state });
    const isNext = current.dataset.cell !== tap.cell;
    say(isNext ? `${what} ${calibSay("next", { cell: named(current) })}` : what, "stored");
  }

  function refused(tap, body) {
    const error = body.error;
    if (error && error.reading) stored.set(tap.cell, fromServer(error.reading));
    redraw(tap.cell);
    choose(byCode.get(tap.cell), false);
    say(error ? error.message : calibSay("refused"), "refused");
  }

  function rests(status) {
    refreshDrop();
    if (queue.length > 0) say(`${takenBack} ${calibTaps.words(queue, status)}`.trim(), "waiting");
    else if (foot.classList.contains("waiting")) say(calibSay("all_stored"), "stored");
  }

  const refreshDrop = calibTaps.dropper(document.getElementById("drop"), queue, () => {
    for (const cell of cells) redraw(cell.dataset.cell);
    refreshDrop();
    say(calibSay("dropped"));
  });

  function say(words, kind) {
    said.textContent = words;
    foot.classList.remove("waiting", "refused", "stored");
    if (kind) foot.classList.add(kind);
  }

  // ---- what others read, and photographs -----------------------------------------------------

  const toSend = () => queue.some((tap) => !tap.refused);

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
      const now = known.get(code) || { ...nothing, note: "", id: "", apart: [] };
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
    say(calibSay("sending_photograph"));
    try {
      const response = await fetch(`${api}/photographs`, { method: "POST", body: form });
      const body = await response.json();
      if (!response.ok) say(body.error.message, "refused");
      else if (code) say(calibSay("photograph_of_cell", { code }), "stored");
      else say(calibSay("photograph_of_board"), "stored");
    } catch {
      say(calibSay("photograph_not_sent"), "refused");
    }
    input.value = "";
  }

  // ---- hands -------------------------------------------------------------------------------

  const STEPS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 };
  const neighbour = (step) =>
    cells[(cells.indexOf(current) + step + cells.length) % cells.length];

  for (const cell of cells) {
    cell.addEventListener("click", () => {
      delete pad.dataset.fresh; // who taps a cell means it
      choose(cell, true);
    });
  }
  for (const button of choices) button.addEventListener("click", () => answer(given(button)));
  document.addEventListener("keydown", (event) => {
    if (event.target.closest("textarea, input, summary")) return;
    if ((event.ctrlKey || event.metaKey) && event.key === "z") undo();
    else if (event.ctrlKey || event.metaKey || event.altKey) return;
    else if (event.key in STEPS) choose(neighbour(STEPS[event.key]), true);
    else {
      const button = [...answers.children].find((one) => one.dataset.key === event.key.toLowerCase());
      if (!button || answers.hidden) return;
      button.click();
    }
    event.preventDefault();
  });
  let from = null; // a swipe over the buttons goes to the next cell
  pad.addEventListener("pointerdown", (event) => { from = event.clientX; });
  pad.addEventListener("pointerup", (event) => {
    const way = from === null ? 0 : event.clientX - from;
    from = null;
    if (Math.abs(way) < 60) return;
    settle(); // the click that ends a swipe answers nothing
    choose(neighbour(way < 0 ? 1 : -1), false);
  });
  document.getElementById("anew").addEventListener("click", () => {
    current.dataset.anew = "yes";
    ask(current);
  });
  document.getElementById("previous").addEventListener("click", () => choose(neighbour(-1), false));
  document.getElementById("next").addEventListener("click", () => choose(neighbour(1), false));
  document.getElementById("not-read").addEventListener("click", () => {
    const cell = current;
    const state = shown(cell);
    cell.dataset.skipped = "yes";
    if (isRead(state) || state.note || state.apart.length > 0) tap(cell, { ...nothing, note: "" });
    else say(calibSay("stays_empty", { cell: cell.dataset.cell }));
    goOn();
  });
  const rest = document.getElementById("rest");
  if (rest) {
    const words = rest.textContent;
    const open = () => cells.filter((cell) => !isRead(shown(cell)));
    rest.addEventListener("click", () => {
      const left = open();
      if (left.length === 0) return;
      if (rest.textContent === words) {
        const codes = left.map((cell) => cell.dataset.cell).join(", ");
        rest.textContent = calibSay("rest_not_cut", { codes });
        setTimeout(() => { rest.textContent = words; }, 6000);
        return;
      }
      rest.textContent = words;
      for (const cell of left) tap(cell, { ...nothing, through: "no" });
      goOn();
    });
  }
  document.getElementById("note-form").addEventListener("submit", (event) => {
    event.preventDefault();
    const words = note.value.replace(/\s+/g, " ").trim();
    if (!words) return;
    tap(current, { note: words }, { noteOnly: true });
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
  for (const tap of queue) delete tap.refused; // it is tried once more
  send();
})();
