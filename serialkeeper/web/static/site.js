// What a page cannot do by itself: take a scanner's separator, send a form once, notice that nobody
// is there. Everything works without it, but for the separator.
"use strict";

const GS = "{GS}"; // how a separator (29) is written in a field; browsers would drop the character

// Asks for the page again. While a form is on its way its answer is the next page, and must not be
// lost; after half a minute it is not waited for.
function askAgain() {
  const sent = document.querySelector("form[data-sent]");
  if (sent && Date.now() - Number(sent.dataset.sent) < 30000) setTimeout(askAgain, 1000);
  else location.reload();
}

function typeIn(field, text) {
  field.setRangeText(text, field.selectionStart, field.selectionEnd, "end");
  field.dispatchEvent(new Event("input", { bubbles: true }));
}

// A scanner that acts as a keyboard sends the separator as Ctrl+], as the character itself, or as
// Alt and digits, depending on how it is set.
let digits = "";
document.addEventListener("keydown", (event) => {
  const field = event.target;
  if (!field.matches || !field.matches("[data-scan]")) return;
  const bracket = event.ctrlKey && !event.altKey && (event.key === "]" || event.code === "BracketRight");
  if (bracket || event.key === "\x1d") {
    event.preventDefault();
    typeIn(field, GS);
  }
  if (event.altKey && /^Numpad[0-9]$/.test(event.code)) digits += event.code.slice(-1);
});
document.addEventListener("keyup", (event) => {
  if (event.key !== "Alt") return;
  const field = event.target;
  if (/^0*29$/.test(digits) && field.matches("[data-scan]") && !field.value.endsWith(GS)) typeIn(field, GS);
  digits = "";
});
document.addEventListener("input", (event) => {
  const field = event.target;
  if (field.matches("[data-scan]") && /[\x1d\u241d]/.test(field.value)) {
    const after = field.value.slice(field.selectionEnd).length;
    field.value = field.value.replace(/[\x1d\u241d]/g, GS);
    field.setSelectionRange(field.value.length - after, field.value.length - after);
  }
});

// A scanner ends with Enter: where a badge was scanned, the PIN is next.
document.addEventListener("keydown", (event) => {
  const then = event.key === "Enter" && event.target.dataset && event.target.dataset.then;
  const next = then && document.getElementById(then);
  if (next && !next.value) {
    event.preventDefault();
    next.focus();
  }
});

// The field that waits for a scanner gets what is typed while nothing else has the focus.
document.addEventListener("keydown", (event) => {
  const field = document.querySelector("[data-scan]");
  const plain = event.key.length === 1 && !event.ctrlKey && !event.altKey && !event.metaKey;
  if (field && plain && event.key !== " " && document.activeElement === document.body) {
    field.focus();
    field.select();
  }
});

// The server does a form once, however often it is sent; the button says that it is being done.
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.sent && form.method === "post") {
    event.preventDefault();
    return;
  }
  if (form.hasAttribute("data-fetches")) return; // a file comes, and the page stays
  form.dataset.sent = String(Date.now());
  for (const button of form.querySelectorAll("button")) {
    button.setAttribute("aria-busy", "true");
    if (form.method === "post") button.textContent = document.body.dataset.busy;
  }
});
window.addEventListener("pageshow", (event) => {
  if (event.persisted) location.reload(); // from the browser's memory: the form may be done
});

// What was refused comes first, unless a field waits to be filled.
const refused = document.querySelector(".refused a");
if (refused && !document.querySelector("[autofocus]")) refused.focus();

// Nobody there for as long as a session lasts: the page asks who is there now.
const idle = Number(document.body.dataset.idle || 0);
if (idle) {
  let last = Date.now();
  for (const kind of ["keydown", "pointerdown"]) document.addEventListener(kind, () => (last = Date.now()));
  setInterval(() => {
    const watching = document.querySelector("[data-live]"); // goes on showing, and does nothing
    if (!watching && Date.now() - last > idle * 60000 + 2000) askAgain();
  }, 5000);
}

// The odds beside a field that follow what is typed: data-follows names the field, data-asks the
// address, in which its value stands for VALUE, and that of the field data-with for OTHER; data-says
// is a sentence before them.
for (const place of document.querySelectorAll("[data-follows]")) {
  const field = document.getElementById(place.dataset.follows);
  const other = place.dataset.with && document.getElementById(place.dataset.with);
  let asked = 0;
  const ask = async () => {
    const value = field.value.replace(/\s/g, "");
    const mine = ++asked;
    if (!/^[1-9][0-9]*$/.test(value)) {
      place.textContent = "";
      return;
    }
    let told = null;
    try {
      const there = place.dataset.asks.replace("VALUE", value).replace("OTHER", other ? other.value : "");
      const answer = await fetch(there, { headers: { Accept: "application/json" } });
      told = answer.ok ? await answer.json() : null;
    } catch {
      // the server is gone for now: there is no figure
    }
    if (mine !== asked) return;
    const says = (place.dataset.says || "").replace("COUNT", told && told.count).replace("TARGET", value);
    place.textContent = told ? `${says} ${told.arithmetic}`.trim() : "";
    place.className = "live" + (told ? (told.allowed ? " said normal" : " said danger") : "");
  };
  for (const one of [field, other]) {
    if (!one) continue;
    one.addEventListener("input", () => {
      clearTimeout(place.waiting);
      place.waiting = setTimeout(ask, 200);
    });
  }
  if (field.value) ask();
}

// Something long that goes on beside the pages: data-progress is where to ask how far it is. When it
// is over the page is asked for again.
for (const place of document.querySelectorAll("[data-progress]")) {
  const bar = place.querySelector("progress");
  const ask = async () => {
    try {
      const answer = await fetch(place.dataset.progress, { headers: { Accept: "application/json" } });
      const told = answer.ok ? await answer.json() : null;
      if (told && told.state !== "running") return askAgain();
      if (told && told.of) {
        bar.max = told.of;
        bar.value = told.done;
      }
      if (!told && answer.status < 500) return; // nobody is signed in any more
    } catch {
      // the server is gone for now
    }
    setTimeout(ask, 700);
  };
  setTimeout(ask, 300);
}
