// Moves a cross over the region and reads out what holds there.
"use strict";
(() => {
  const root = document.getElementById("look");
  const picture = root.querySelector("svg.region");
  const here = picture.querySelector(".here");
  const ride = picture.querySelector(".ride");
  const power = document.getElementById("slide-power");
  const speed = document.getElementById("slide-speed");
  const length = document.getElementById("length");
  const says = document.getElementById("look-says");
  const at = Object.fromEntries(["left", "right", "top", "foot"].map((n) => [n, Number(picture.dataset[n])]));
  const [powerLow, powerHigh] = [Number(picture.dataset.powerLow), Number(picture.dataset.powerHigh)];
  const [low, high] = [Math.log(picture.dataset.speedLow), Math.log(picture.dataset.speedHigh)];
  const step = Number(speed.dataset.step);
  let chosen = Number(speed.dataset.start);
  let timer = 0;
  let asked = 0;

  const onSteps = (value) => Number((Math.max(1, Math.round(value / step)) * step).toPrecision(6));
  const fromSlider = () => onSteps(Math.exp(low + ((high - low) * Number(speed.value)) / 1000));
  const toSlider = (value) => String(Math.round((1000 * (Math.log(value) - low)) / (high - low)));

  function draw() {
    const x = at.left + ((at.right - at.left) * (Number(power.value) - powerLow)) / (powerHigh - powerLow);
    const y = at.foot - ((at.foot - at.top) * (Math.log(chosen) - low)) / (high - low);
    here.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
    // The read-out rides above the cross, or below it, on the side with more room.
    const isRight = x > (at.left + at.right) / 2;
    const wide = ride.getComputedTextLength() + 4;
    const room = picture.viewBox.baseVal.width - wide;
    ride.setAttribute("x", (isRight ? Math.max(x - 12, wide) : Math.min(x + 12, room)).toFixed(1));
    ride.setAttribute("y", (y > at.top + 30 ? y - 14 : y + 24).toFixed(1));
    ride.setAttribute("text-anchor", isRight ? "end" : "start");
    document.getElementById("power-out").textContent = `${Number(power.value)}\u00a0%`;
    const minutes = Number((chosen * 60).toPrecision(6));
    document.getElementById("speed-out").textContent = `${chosen}\u00a0mm/s (${minutes}\u00a0mm/min)`;
    speed.setAttribute("aria-valuetext", calibSay("speed_aloud", { chosen }));
  }

  function soon() {
    draw();
    clearTimeout(timer);
    timer = setTimeout(ask, 90);
  }

  async function ask() {
    asked += 1;
    const mine = asked;
    const query = new URLSearchParams({ power_pct: power.value, speed_mm_s: String(chosen) });
    for (const [name, value] of Object.entries(root.dataset)) if (value !== "") query.set(name, value);
    let words;
    try {
      const response = await fetch(`/api/read-out?${query}`, { signal: AbortSignal.timeout(8000) });
      const body = await response.json();
      if (mine !== asked) return;
      says.textContent = response.ok ? "" : body.error.message;
      if (!response.ok) return;
      words = body.words;
    } catch {
      says.textContent = calibSay("old_figures");
      if (mine === asked) timer = setTimeout(ask, 3000);
      return;
    }
    words.time = pathTime();
    for (const line of root.querySelectorAll("[data-out]")) {
      line.textContent = words[line.dataset.out] || "";
    }
    draw();
  }

  /** Time of the cut path alone at this speed, for a length as it is typed. */
  function pathTime() {
    const match = /^\s*(\d+(?:[.,]\d+)?)\s*(mm|cm|m|in)?\s*$/.exec(length.value);
    if (!match) return calibSay("write_a_length");
    const unit = { mm: 1, cm: 10, m: 1000, in: 25.4 }[match[2] || "mm"];
    const seconds = (Number(match[1].replace(",", ".")) * unit * Number(root.dataset.passes)) / chosen;
    const words = seconds < 90 ? `${seconds.toFixed(0)} s` : `${(seconds / 60).toFixed(1)} min`;
    return calibSay("path_time", { words });
  }

  power.addEventListener("input", soon);
  speed.addEventListener("input", () => { chosen = fromSlider(); soon(); });
  length.addEventListener("input", () => {
    root.querySelector("[data-out=time]").textContent = pathTime();
  });
  /** Put the cross where a finger is, on the machine's steps. */
  function put(event) {
    const within = (value, least, most) => Math.min(Math.max(value, least), most);
    const to = picture.getScreenCTM().inverse();
    const there = new DOMPoint(event.clientX, event.clientY).matrixTransform(to);
    const x = within(there.x, at.left, at.right);
    const y = within(there.y, at.top, at.foot);
    power.value = String(powerLow + ((powerHigh - powerLow) * (x - at.left)) / (at.right - at.left));
    chosen = onSteps(Math.exp(high - ((high - low) * (y - at.top)) / (at.foot - at.top)));
    speed.value = toSlider(chosen);
    soon();
  }
  picture.addEventListener("click", put);
  const grip = here.querySelector(".grip");
  grip.addEventListener("pointerdown", (event) => grip.setPointerCapture(event.pointerId));
  grip.addEventListener("pointermove", (event) => {
    if (grip.hasPointerCapture(event.pointerId)) put(event);
  });
  for (const button of root.querySelectorAll(".nudges button")) {
    button.addEventListener("click", () => {
      if (button.dataset.power) power[button.dataset.power > 0 ? "stepUp" : "stepDown"]();
      if (button.dataset.speed) {
        chosen = onSteps(chosen + step * Number(button.dataset.speed));
        speed.value = toSlider(chosen);
      }
      soon();
    });
  }
  // Moved before this script was there, or brought back by the browser.
  const isMoved = [power, speed].some((slider) => slider.value !== slider.defaultValue);
  if (speed.value !== speed.defaultValue) chosen = fromSlider();
  else speed.value = toSlider(chosen);
  if (isMoved) soon();
  else draw();
  root.querySelector("[data-out=time]").textContent = pathTime();
})();
