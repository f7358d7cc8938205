// What every page does better with scripts; nothing here is needed for a task.
document.documentElement.dataset.scripts = "";

// Move to what has to be mended, or to the message of what was done, so that a screen reader says it first.
const faults = document.getElementById("faults");
if (faults) {
  faults.focus();
  // Looked at again, or gone back to, the page is asked for anew and not sent once more: what was typed is on this device.
  history.replaceState(history.state, "", location.href);
}

// What is folded to fit a telephone stands open where there is room, and on paper.
const unfold = () => { for (const one of document.querySelectorAll("details.tucked")) one.open = true; };
if (matchMedia("(min-width: 62rem)").matches) unfold();
addEventListener("beforeprint", unfold);

// Light or dark at once, without loading the page again.
const look = document.querySelector("form.look");
if (look) {
  look.addEventListener("submit", async (event) => {
    const choice = event.submitter;
    if (!choice) return;
    event.preventDefault();
    const fields = new URLSearchParams(new FormData(look));
    fields.set("look", choice.value);
    if (choice.value) document.documentElement.dataset.look = choice.value;
    else delete document.documentElement.dataset.look;
    for (const button of look.querySelectorAll("button")) {
      button.setAttribute("aria-pressed", String(button === choice));
    }
    await fetch(look.action, { method: "POST", body: fields, redirect: "manual" });
  });
}
