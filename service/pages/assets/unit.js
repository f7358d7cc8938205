// What another reading is worth takes a second to work out: it is asked for once the page is there, and put beside the link.
for (const link of document.querySelectorAll("a[data-worth]")) {
  fetch(link.href)
    .then((answer) => (answer.ok ? answer.text() : ""))
    .then((text) => {
      const told = new DOMParser().parseFromString(text, "text/html").getElementById("worth");
      if (!told) return;
      const line = document.createElement("p");
      line.textContent = told.textContent.trim();
      link.closest("p").before(line);
    })
    .catch(() => {});
}
