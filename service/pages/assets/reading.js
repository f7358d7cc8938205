// A reading is quicker to enter with these: a pasted row spreads over the blocks, Enter goes on, a file can be dropped.

const boxes = [...document.querySelectorAll("#blocks input")];
const said = document.getElementById("messages");

function tell(text) {
  const line = document.createElement("p");
  line.className = "message";
  line.setAttribute("role", "status");
  line.textContent = text;
  said.replaceChildren(line);
}

// A day, a time or both before the first number; their points are no decimal points (as in voltages.py).
const momentBefore = /^(?:\d{1,4}([-./])\d{1,2}\1\d{2,4}(?:[T ,;\t]+\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?)?|\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?)(?: ?[AaPp][Mm]|Z|[+-]\d\d:?\d\d)?(?:\t|\r?\n|[;,] *| +)/;

function parts(text) {
  const bare = text.trim().replace(momentBefore, "");
  const decimalComma = !bare.includes(".") && /\d,\d/.test(bare) && /[\s;]/.test(bare);
  const all = bare.split(decimalComma ? /[\s;]+/ : /\t|\r?\n|[;,] *| +/).map((part) => part.trim());
  // A row copied from a table begins with its time: that is no voltage.
  const begins = all.findIndex((part) => /^([-+−]?\d+([.,]\d+)?|[-–—x?]|nan|null|)$/i.test(part));
  return begins > 0 ? all.slice(begins) : all;
}

boxes.forEach((box, place) => {
  box.addEventListener("paste", (event) => {
    const numbers = parts(event.clipboardData.getData("text"));
    if (numbers.length < 2) return;
    event.preventDefault();
    numbers.slice(0, boxes.length - place).forEach((number, i) => { boxes[place + i].value = number; });
    boxes[Math.min(place + numbers.length, boxes.length) - 1].focus();
    const words = document.getElementById("blocks").dataset;
    tell(words.pasted.replace("{n}", numbers.length).replace("{m}", boxes.length));
  });
  box.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && place + 1 < boxes.length) {
      event.preventDefault();
      boxes[place + 1].focus();
      boxes[place + 1].select();
    }
  });
});

const drop = document.getElementById("drop");
if (drop) {
  const file = drop.querySelector("input[type=file]");
  drop.addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    if (event.dataTransfer.files.length === 1) {
      file.files = event.dataTransfer.files;
      drop.requestSubmit();
    }
  });
}
