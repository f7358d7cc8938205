// One box a block instead of a row of numbers: the row stays what is sent, the boxes write into it.
const form = document.querySelector("form[data-layouts]");
const layouts = JSON.parse(form.dataset.layouts);
const family = form.elements.family;
const way = form.elements.way;
const UNREAD = "-";

// Boxes that a kind of pack has: blocks, or modules of six cells where a block divides into such, else its halves.
function boxesOf() {
  const layout = layouts[family.value];
  if (!layout) return 0;
  const [blocks, cells] = layout;
  if (!way || way.value !== "module") return blocks;
  const each = cells % 6 === 0 ? cells / 6 : cells % 2 === 0 ? 2 : 1;
  return blocks * each;
}

// A day, a time or both before the first number; their points are no decimal points (as in voltages.py).
const momentBefore = /^(?:\d{1,4}([-./])\d{1,2}\1\d{2,4}(?:[T ,;\t]+\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?)?|\d{1,2}:\d\d(?::\d\d(?:[.,]\d+)?)?)(?: ?[AaPp][Mm]|Z|[+-]\d\d:?\d\d)?(?:\t|\r?\n|[;,] *| +)/;

export function parts(text) {
  const bare = text.trim().replace(momentBefore, "");
  if (!bare) return [];
  const decimalComma = !bare.includes(".") && /\d,\d/.test(bare) && /[\s;]/.test(bare);
  const all = bare.split(decimalComma ? /[\s;]+/ : /\t|\r?\n|[;,] *| +/).map((part) => part.trim());
  // A row copied from a table begins with its time: that is no voltage.
  const begins = all.findIndex((part) => /^[-+−]?\d+([.,]\d+)?$/.test(part) || part === UNREAD);
  return begins > 0 ? all.slice(begins) : all;
}

function build(holder) {
  const row = holder.querySelector("textarea");
  const old = holder.querySelector(".blocks");
  const count = boxesOf();
  if (old) old.remove();
  row.hidden = false;
  const written = parts(row.value);
  // What does not fit the kind of pack stays a row, to be looked at.
  if (!count || (written.length && written.length !== count)) return;
  const wrong = new Set([...(holder.dataset.wrong || "").matchAll(/\[(\d+)\]/g)].map((found) => Number(found[1])));
  const word = way && way.value === "module" ? form.dataset.module : form.dataset.block;
  const grid = document.createElement("div");
  grid.className = "blocks";
  grid.setAttribute("role", "group");
  grid.setAttribute("aria-label", holder.querySelector("label").textContent.trim());
  const boxes = Array.from({ length: count }, (_, place) => {
    const box = document.createElement("input");
    box.id = `${row.id}-${place}`;
    box.inputMode = way && way.value.startsWith("off") ? "text" : "decimal";
    box.autocomplete = "off";
    box.maxLength = 24;
    box.enterKeyHint = "next";
    box.value = written[place] && written[place] !== UNREAD ? written[place] : "";
    if (wrong.has(place)) {
      box.setAttribute("aria-invalid", "true");
      box.setAttribute("aria-describedby", `${row.id}-wrong`);
    }
    const label = document.createElement("label");
    label.htmlFor = box.id;
    const before = document.createElement("span");
    before.className = "seen-by-readers";
    before.textContent = `${word} `;
    label.append(before, place + 1);
    const cell = document.createElement("div");
    cell.className = "block";
    cell.append(label, box);
    grid.append(cell);
    return box;
  });
  const write = () => {
    const texts = boxes.map((box) => box.value.trim().replace(/^([-+−]?\d+),(\d+)$/, "$1.$2"));
    row.value = texts.some(Boolean) ? texts.map((text) => text || UNREAD).join(" ") : "";
  };
  boxes.forEach((box, place) => {
    box.addEventListener("input", (event) => {
      event.stopPropagation();
      write();
      row.dispatchEvent(new Event("input", { bubbles: true }));
    });
    box.addEventListener("paste", (event) => {
      const numbers = parts(event.clipboardData.getData("text"));
      if (numbers.length < 2) return;
      event.preventDefault();
      numbers.slice(0, count - place).forEach((number, i) => { boxes[place + i].value = number === UNREAD ? "" : number; });
      boxes[Math.min(place + numbers.length, count) - 1].focus();
      write();
      row.dispatchEvent(new Event("input", { bubbles: true }));
    });
  });
  row.after(grid);
  row.hidden = true;
}

function all() {
  const off = Boolean(way) && way.value.startsWith("off");
  for (const one of form.querySelectorAll('[data-only="off"]')) one.hidden = !off;
  form.querySelectorAll("[data-volts]").forEach(build);
}

for (const choice of [family, way]) if (choice) choice.addEventListener("change", all);
addEventListener("pageshow", all);
all();
