// What all parts of the page share: facts, frames, memory, the list of corrections.
const data = JSON.parse(document.getElementById("facts").textContent);
const SVG = "http://www.w3.org/2000/svg";
const REACH_PX = 22; // A finger's tap counts for a thing this close to it on the screen.
const GRIP_PX = 6; // Half the size of a point to drag, on the screen; a finger has REACH_PX around it.
const byId = (id) => document.getElementById(id);

// A browser that forbids storage only forgets.
function recall(name, fallback) {
  try { return JSON.parse(localStorage.getItem(`voidmap ${data.job} ${name}`)) ?? fallback; } catch { return fallback; }
}
function remember(name, value) {
  try { localStorage.setItem(`voidmap ${data.job} ${name}`, JSON.stringify(value)); } catch { /* forgotten */ }
}

// Frames: the screen, a picture's pixels, the slab's millimetres.
function viewOf(svg, frame) {
  const toPx = ([x, y]) => [(x - frame.x0_mm) / frame.mm_per_px, (y - frame.y0_mm) / frame.mm_per_px];
  const round = (mm) => Math.round(mm * 1000) / 1000;
  return {
    toPx,
    toScreen(mm) { const [x, y] = toPx(mm); return new DOMPoint(x, y).matrixTransform(svg.getScreenCTM()); },
    toMm(event) {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
      return [round(at.x * frame.mm_per_px + frame.x0_mm), round(at.y * frame.mm_per_px + frame.y0_mm)];
    },
    perScreenPx: () => 1 / svg.getScreenCTM().a,
  };
}

function drawn(name, values) {
  const item = document.createElementNS(SVG, name);
  Object.entries(values).forEach(([key, value]) => item.setAttribute(key, value));
  return item;
}

// A length as people type it, with its unit: 12 mm, 1.2 cm, 3/8 in, 1 1/2", ½ in. Returns mm, or null.
function parseLength(text) {
  const plain = text
    .replace(/[\u00bc-\u00be\u2150-\u215e]/g, (c) => ` ${c.normalize("NFKC")}`)
    .replace(/\u2044/g, "/").replace(/[\u2033\u201d\u201c]|''/g, '"').replace(",", ".").trim().toLowerCase();
  const parts = /^([\d./\s-]+?)\s*(mm|cm|in\.?|inch|inches|")$/.exec(plain);
  if (!parts) return null;
  const whole = /^(\d+(?:\.\d*)?|\.\d+)$/.exec(parts[1]);
  const broken = /^(?:(\d+)[\s-]+)?(\d+)\s*\/\s*([1-9]\d*)$/.exec(parts[1]);
  if (!whole && !broken) return null;
  const number = whole ? Number(whole[1]) : Number(broken[1] || 0) + Number(broken[2]) / Number(broken[3]);
  const mm = number * (parts[2] === "mm" ? 1 : parts[2] === "cm" ? 10 : 25.4);
  return mm > 0 ? Math.round(mm * 1000) / 1000 : null;
}
const SAY_UNIT = "Say it with its unit, as in 12 mm or 3/8 in.";

// Corrections: each belongs to one frame (an outline of the slab that places are in).
const made = recall(`made ${data.stamp}`, []);
const onChange = [];
function make(frame, item, words) {
  made.push({ frame, item, words });
  changed();
}
function changed() {
  remember(`made ${data.stamp}`, made);
  byId("made").textContent = made.length
    ? `${made.length} ${made.length === 1 ? "correction" : "corrections"}, not saved yet. Last: ${made[made.length - 1].words}`
    : "";
  byId("tray").hidden = made.length === 0;
  onChange.forEach((show) => show());
}
function save() {
  const groups = data.frames
    .map((frame, k) => ({ ...frame, items: made.filter((m) => m.frame === k).map((m) => m.item) }))
    .filter((group) => group.items.length);
  const link = document.createElement("a");
  const text = JSON.stringify({ schema: "voidmap/corrections/1", groups }, null, 1);
  link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
  link.download = "corrections.json";
  link.click();
  remember(`made ${data.stamp}`, []);
  byId("made").textContent = `Saved ${made.length}. Next: voidmap correct ${data.job} corrections.json, then voidmap sheet ${data.job}`;
}

// A map has a view box for a wide page and one for a phone, where its letters are larger.
function fitBoxes(narrow) {
  document.querySelectorAll("[data-narrow]").forEach((svg) => svg.setAttribute("viewBox", svg.dataset[narrow ? "narrow" : "wide"]));
  onChange.forEach((show) => show());
}

// Show a picture larger, its place (x, y in shares of the picture) in the middle of the view.
const LARGEST = 24;
function zoomTo(view, size, x, y) {
  const now = Math.min(LARGEST, Math.max(1, size));
  view.dataset.size = now;
  view.querySelector("svg").style.width = `${100 * now}%`;
  view.style.maxHeight = now > 1 ? "70vh" : "";
  view.scrollTo(x * view.scrollWidth - view.clientWidth / 2, y * view.scrollHeight - view.clientHeight / 2);
  onChange.forEach((show) => show());
}

function startPage() {
  const phone = window.matchMedia("(max-width: 40rem)");
  phone.addEventListener("change", (e) => fitBoxes(e.matches));
  fitBoxes(phone.matches);
  byId("undo").addEventListener("click", () => { made.pop(); changed(); });
  byId("save").addEventListener("click", save);
  document.querySelectorAll("[data-zoom]").forEach((button) => button.addEventListener("click", () => {
    const view = byId(button.dataset.view);
    const x = (view.scrollLeft + view.clientWidth / 2) / view.scrollWidth;
    const y = (view.scrollTop + view.clientHeight / 2) / view.scrollHeight;
    zoomTo(view, Number(view.dataset.size || 1) * Number(button.dataset.zoom), x, y);
  }));
  const alone = byId("print-record");
  if (alone) alone.addEventListener("click", () => {
    document.body.classList.add("record-alone");
    window.print();
    document.body.classList.remove("record-alone");
  });
}
