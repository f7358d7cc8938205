// What is typed stays on this device until it is stored: a lost line, an ended visit or a closed tab loses nothing.
const PREFIX = "tideover:";
const SENT = "tideover-sent";
const RETRY_MS = 5000;
const words = document.getElementById("messages").dataset;
const form = document.querySelector("form[data-draft]");
// A form whose address names a unit has a draft of its own: what was typed of one car never fills another's form.
const unit = new URLSearchParams(location.search).get("unit");
const page = PREFIX + location.pathname;

const read = (key) => { try { return JSON.parse(localStorage.getItem(key)); } catch { return null; } };

const drafts = () => Object.keys(localStorage).filter((one) => one.startsWith(PREFIX));
const named = (draft) => ((draft && draft.fields.vehicle_id) || [""])[0].trim();
const own = unit ? `${page}?unit=${encodeURIComponent(unit)}` : page;
// Begun under another address of the same page: without a unit in it, or, if it has none now, with one.
const other = drafts().filter((one) => one.split("?")[0] === page && one !== own);
const begun = other.filter((one) => !unit || ["", unit].includes(named(read(one))));
const here = form && read(own) === null && begun.length === 1 ? begun[0] : own;

function tell(text, ...links) {
  const line = document.createElement("p");
  line.className = "message unsaved";
  line.setAttribute("role", "status");
  line.append(text);
  links.forEach((link, place) => line.append(place ? " · " : " ", link));
  document.getElementById("messages").append(line);
  return line;
}

// A form that was sent and led on to another page with a message is stored: its draft has done its work. Where it led
// elsewhere, to its own page or to one without a message, it is not stored, and no later message speaks of it.
const sent = sessionStorage.getItem(SENT);
if (sent && !location.pathname.startsWith("/sign-in")) {
  if (sent !== here && document.querySelector("#messages .message")) localStorage.removeItem(sent);
  sessionStorage.removeItem(SENT);
}

const fields = () => [...form.elements].filter((one) => one.name && one.name !== "form_token" && one.type !== "file" && one.type !== "submit");
const kept = form && read(here);
if (kept && !document.getElementById("faults") && !("filled" in form.dataset)) {
  const texts = Object.fromEntries(Object.entries(kept.fields).map(([name, all]) => [name, [...all]]));
  for (const one of fields()) {
    if (!texts[one.name] || !texts[one.name].length) continue;
    one.value = texts[one.name].shift();
    // Nothing that was typed hides where it was folded away.
    const folded = one.value && one.closest("details");
    if (folded) folded.open = true;
  }
  const away = document.createElement("button");
  away.type = "button";
  away.textContent = words.discard;
  away.className = "quiet";
  away.addEventListener("click", () => { localStorage.removeItem(here); location.reload(); });
  tell(words.unsavedHere, away);
}

// Elsewhere it is named, with the way back to it; so it is beside the form of another unit.
if (!location.pathname.startsWith("/sign-in")) {
  const links = (form ? other.filter((one) => one !== here) : drafts()).map((key) => {
    const link = document.createElement("a");
    link.href = key.slice(PREFIX.length);
    link.textContent = [named(read(key)), (read(key) || {}).title || link.href].filter(Boolean).join(": ");
    return link;
  });
  if (links.length) tell(words.unsaved, ...links);
}

function keep() {
  const all = {};
  for (const one of fields()) (all[one.name] ||= []).push(one.value);
  localStorage.setItem(here, JSON.stringify({ title: document.title.split(" · ")[0], fields: all }));
}

const reached = () => fetch("/healthz", { cache: "no-store" }).then((answer) => answer.ok, () => false);

if (form) {
  let line, passed = false, waiting;
  if ("filled" in form.dataset) keep();
  form.addEventListener("input", keep);
  form.addEventListener("submit", (event) => {
    if (passed) return;
    event.preventDefault();
    const by = event.submitter;
    clearInterval(waiting);
    const go = async () => {
      if (!(await reached())) return false;
      clearInterval(waiting);
      passed = true;
      sessionStorage.setItem(SENT, here);
      form.requestSubmit(by);
      return true;
    };
    go().then((gone) => {
      if (gone) return;
      keep();
      line ||= tell(words.waiting);
      line.scrollIntoView({ block: "nearest" });
      waiting = setInterval(go, RETRY_MS);
      addEventListener("online", go, { once: true });
    });
  });
  addEventListener("pageshow", () => { passed = false; });
}
