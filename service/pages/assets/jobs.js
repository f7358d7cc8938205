// A job that is not at its end yet is looked at again by itself, as long as somebody has the page open.
const EVERY_MS = 2000;

async function look() {
  const here = document.getElementById("fresh");
  if (!here || !("unfinished" in here.dataset)) return;
  // What somebody is just about to press must not be taken away under the finger.
  if (!document.hidden && !here.contains(document.activeElement)) {
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (answer.ok && !answer.redirected) {
        const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById("fresh");
        if (fresh) here.replaceWith(fresh);
      }
    } catch {
      // The service may be starting anew; the next look will tell.
    }
  }
  setTimeout(look, EVERY_MS);
}

setTimeout(look, EVERY_MS);
