// The answer comes beside the form while it is filled in; Enter goes on to the next field.
const form = document.getElementById("visit");
const answer = document.getElementById("answer");
const WAIT_MS = 600;
const RETRY_MS = 5000;

const seen = (one) => one.getClientRects().length > 0 && !one.closest("details:not([open])");
const stops = () => [...form.querySelectorAll("input:not([type=hidden]), select, textarea, button.main")].filter(seen);

form.addEventListener("keydown", (event) => {
  if (event.key !== "Enter" || event.isComposing || event.target.tagName !== "INPUT") return;
  event.preventDefault();
  const all = stops();
  const next = all[all.indexOf(event.target) + 1];
  if (!next) return;
  next.focus();
  if (next.select) next.select();
});

let waiting, asked = 0;

// A row of boxes that is being filled in has gaps still to come: it is asked about once somebody has gone on from it.
function midway() {
  const grid = document.activeElement && document.activeElement.closest(".blocks");
  if (!grid) return false;
  const boxes = [...grid.querySelectorAll("input")];
  return boxes.some((box) => box.value) && boxes.some((box) => !box.value);
}

// On a telephone the answer lies below all fields: what it says first stays in sight, and leads to it.
const strip = document.getElementById("strip");

function shown() {
  const stop = answer.querySelector("#stop strong"), first = answer.querySelector(".answer .first");
  const says = stop || first || answer.querySelector(".lead");
  strip.hidden = !says || !form.elements.family.value;
  strip.classList.toggle("stops", Boolean(stop));
  strip.querySelector("strong").textContent = says ? says.textContent.trim() : "";
  const typing = document.activeElement;
  if (form.contains(typing) && typing.getBoundingClientRect().bottom > strip.getBoundingClientRect().top) {
    typing.scrollIntoView({ block: "nearest" });
  }
}

if (answer && "IntersectionObserver" in window) {
  new IntersectionObserver((seen) => strip.classList.toggle("over", seen[0].isIntersecting)).observe(answer);
}

// An answer that did not come leaves none of before beside what was typed since.
function instead(words, ...more) {
  const line = document.createElement("p");
  line.className = "lead";
  line.append(words);
  answer.replaceChildren(line, ...more);
  shown();
}

async function ask() {
  if (!answer || midway()) return;
  const turn = ++asked;
  let text, ended = false;
  try {
    const sent = await fetch(form.dataset.answer, { method: "POST", body: new URLSearchParams(new FormData(form)) });
    ended = sent.redirected || sent.status === 403;
    if (sent.ok && !ended) text = await sent.text();
  } catch {
    // Without a line the answer waits; what was typed is kept on the device.
  }
  if (turn !== asked) return;
  if (ended) {
    const again = document.createElement("a");
    again.href = location.href;
    again.textContent = answer.dataset.again;
    instead(answer.dataset.ended, again);
  } else if (text === undefined) {
    instead(answer.dataset.late);
    clearTimeout(waiting);
    waiting = setTimeout(ask, RETRY_MS);
  } else {
    answer.innerHTML = text;
    shown();
  }
}

function soon() {
  clearTimeout(waiting);
  waiting = setTimeout(ask, WAIT_MS);
}

form.addEventListener("input", soon);
form.addEventListener("change", soon);
form.addEventListener("focusout", (event) => { if (event.target.closest(".blocks")) soon(); });
if (form.elements.family.value) soon();
