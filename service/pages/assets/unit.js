// What another reading is worth takes a second to work out: it is asked for once the page is there, and put beside the links.
const links = document.querySelectorAll("a[data-worth]");
if (links.length) {
  fetch(links[0].href)
    .then((answer) => (answer.ok ? answer.text() : ""))
    .then((text) => {
      const told = new DOMParser().parseFromString(text, "text/html").getElementById("worth");
      if (!told) return;
      for (const link of links) {
        const line = document.createElement("p");
        line.textContent = told.textContent.trim();
        const beside = link.nextElementSibling;
        if (beside) beside.replaceWith(line);
        else link.closest("p").before(line);
      }
    })
    .catch(() => {});
}
