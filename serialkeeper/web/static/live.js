// The page Now follows the record by itself: what the server sends is put in its place without moving
// what is under the finger, and without touching what is typed. Without this, loading the page again
// shows the same.
"use strict";

const live = document.querySelector("[data-live]");
const state = document.getElementById("live-mark");
let source = null;
let touching = false; // a finger is down: nothing moves until it is up again
let waiting = null;
let pointer = null; // where the finger was last
const last = new Map();

function told(on) {
  state.textContent = on ? state.dataset.on : state.dataset.off;
  state.className = "mark " + (on ? "normal" : "abnormal");
}

// What should stay where it is: what has the focus, else what lies under the finger, else what is in
// the middle of the window.
function anchor() {
  const focused = document.activeElement;
  const free = focused && focused !== document.body && focused.id !== "main";
  const [x, y] = pointer || [innerWidth / 2, innerHeight / 2];
  let one = free ? focused : document.elementFromPoint(x, y);
  const region = one && one.closest("[data-region]");
  return one && region && one.closest("[id]") !== region ? one.closest("[id]") : region || one;
}

function put(texts) {
  if (texts.lot.trim() !== live.dataset.lot) {
    if (!document.querySelector(".act [data-typed]")) askAgain();
    return;
  }
  const changed = Object.entries(texts).filter(([name, text]) => {
    const place = document.getElementById(name);
    return place && place.matches("[data-region]") && last.get(name) !== text;
  });
  if (!changed.length) return;
  const kept = anchor();
  const id = kept && kept.id;
  const top = kept ? kept.getBoundingClientRect().top : 0;
  const focused = document.activeElement && document.activeElement.id;
  const link = document.activeElement && document.activeElement.getAttribute("href");
  for (const [name, text] of changed) {
    const place = document.getElementById(name);
    const first = !last.has(name);
    last.set(name, text);
    if (first && same(place, text)) continue;
    place.style.minHeight = place.getBoundingClientRect().height + "px"; // it grows, and never shrinks
    const had = place.contains(document.activeElement);
    place.innerHTML = text;
    if (had) focusAgain(place, focused, link);
  }
  const again = kept && kept.isConnected ? kept : id && document.getElementById(id);
  if (again) scrollBy(0, again.getBoundingClientRect().top - top);
  ring();
}

function same(place, text) {
  const other = document.createElement("template");
  other.innerHTML = text;
  return other.innerHTML === place.innerHTML;
}

function focusAgain(place, id, href) {
  const there = (id && document.getElementById(id)) || [...place.querySelectorAll("a")].find((one) => one.getAttribute("href") === href);
  if (there) there.focus({ preventScroll: true });
}

function take(texts) {
  waiting = touching ? texts : null;
  if (!touching) put(texts);
}

document.addEventListener("pointerdown", (event) => {
  touching = true;
  pointer = [event.clientX, event.clientY];
});
document.addEventListener("pointermove", (event) => (pointer = [event.clientX, event.clientY]), { passive: true });
for (const kind of ["pointerup", "pointercancel", "click"]) {
  document.addEventListener(kind, () => {
    touching = false;
    setTimeout(() => {
      const texts = waiting;
      if (touching || !texts) return; // what waits goes on waiting for the finger
      waiting = null;
      put(texts);
    }, 50); // the touch has done its work by then
  });
}
document.addEventListener("input", (event) => event.target.setAttribute("data-typed", ""));

// The browser comes back by itself after the connection was lost; when it was refused, this asks why.
function follow() {
  if (source) source.close();
  source = new EventSource(live.dataset.live);
  source.addEventListener("open", () => told(true));
  source.addEventListener("message", (event) => {
    told(true);
    take(JSON.parse(event.data));
  });
  source.addEventListener("over", () => {
    source.close();
    askAgain(); // the session is over: the page asks who is there
  });
  source.addEventListener("error", () => {
    told(false);
    if (source.readyState === EventSource.CLOSED) setTimeout(askWhy, 5000);
  });
}

async function askWhy() {
  if (document.hidden) return;
  const stop = new AbortController();
  try {
    const answer = await fetch(live.dataset.live, { signal: stop.signal });
    stop.abort();
    if (answer.status === 401) askAgain();
    else follow();
  } catch {
    setTimeout(askWhy, 5000);
  }
}

// A window that nobody sees follows nothing: a browser has few connections to one server.
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) follow();
  else if (source) {
    source.close();
    told(false);
  }
});

// An alarm is heard once somebody has asked for sound in this window: browsers let no page make any
// before it was touched.
const button = document.getElementById("sound");
let context = null;
let beeping = 0;

function ring() {
  const open = document.querySelectorAll("[data-alarm]").length;
  const on = sessionStorage.getItem("sound") === "on";
  button.setAttribute("aria-pressed", String(on));
  button.textContent = on ? button.dataset.on : button.dataset.off;
  const wanted = on && open > 0 && context && context.state === "running";
  document.body.dataset.ringing = String(Boolean(wanted));
  if (wanted && !beeping) {
    beep();
    beeping = setInterval(beep, 2000);
  } else if (!wanted && beeping) {
    clearInterval(beeping);
    beeping = 0;
  }
}

function beep() {
  for (const [start, high] of [[0, 880], [0.25, 660]]) {
    const tone = context.createOscillator();
    const loud = context.createGain();
    tone.frequency.value = high;
    loud.gain.value = 0.4;
    tone.connect(loud).connect(context.destination);
    tone.start(context.currentTime + start);
    tone.stop(context.currentTime + start + 0.2);
  }
}

async function wake() {
  if (sessionStorage.getItem("sound") !== "on") return;
  context = context || new AudioContext();
  await context.resume();
  ring();
}

button.hidden = false;
button.addEventListener("click", () => {
  sessionStorage.setItem("sound", sessionStorage.getItem("sound") === "on" ? "off" : "on");
  wake().then(ring);
});
for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, () => wake());

ring();
follow();
