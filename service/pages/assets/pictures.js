// A drawing is one stop of the Tab key; arrow keys go from value to value within it.
for (const drawing of document.querySelectorAll("svg.pointed")) {
  const spots = [...drawing.querySelectorAll(".spot")];
  const at = (chosen) => spots.forEach((spot) => spot.setAttribute("tabindex", spot === chosen ? "0" : "-1"));
  at(spots[0]);
  drawing.addEventListener("focusin", (event) => at(event.target.closest(".spot")));
  drawing.addEventListener("keydown", (event) => {
    const here = spots.indexOf(event.target.closest(".spot"));
    const to = {
      ArrowRight: here + 1, ArrowDown: here + 1, ArrowLeft: here - 1, ArrowUp: here - 1, Home: 0, End: spots.length - 1,
    }[event.key];
    if (to === undefined || !spots[to]) return;
    event.preventDefault();
    spots[to].focus();
  });
}
