// A coat's picture: tap a pinhole, say what it is, add one that was missed.
function startCoat(coat) {
  const part = byId(`part-coat-${coat.number}`), svg = byId(`coat-${coat.number}`);
  if (!part || !svg) return;
  const view = viewOf(svg, coat.frame);
  const card = part.querySelector(".spot-card"), sites = part.querySelector("[name=site]");
  const adder = part.querySelector(".adder"), add = part.querySelector("[data-spot=add]");
  const preview = svg.appendChild(drawn("g", { class: "preview" }));
  let chosen = null, adding = false;

  function choose(site) {
    chosen = coat.pinholes.find((p) => p.site === site) || null;
    svg.querySelectorAll(".spot").forEach((g) => g.classList.toggle("chosen", g.dataset.site === site));
    sites.value = chosen ? site : "";
    card.hidden = !chosen;
    if (!chosen) return;
    card.querySelector(".figures").textContent = `${chosen.site}: ${chosen.words}`;
    card.querySelector(".say").textContent = "";
    card.scrollIntoView({ block: "nearest" });
  }

  function setAdding(on) {
    adding = on;
    adder.hidden = !on;
    add.setAttribute("aria-pressed", String(on));
    svg.classList.toggle("drawing", on);
    if (on) choose(null);
  }

  function addOne(event) {
    const place = view.toMm(event); // before anything is said: words move the picture
    const mm = parseLength(adder.querySelector("input").value);
    adder.querySelector(".say").textContent = mm === null ? SAY_UNIT : "";
    if (mm === null) return;
    const item = { action: "pinhole", place_mm: place, coat: coat.number, diameter_mm: mm };
    make(coat.frame_number, item, `a pinhole added to coat ${coat.number}`);
  }

  svg.addEventListener("click", (e) => {
    if (adding) { addOne(e); return; }
    const gaps = coat.pinholes.map((p) => {
      const at = view.toScreen(p.place_mm);
      return [Math.hypot(at.x - e.clientX, at.y - e.clientY), p.site];
    });
    const [gap, site] = gaps.reduce((a, b) => (b[0] < a[0] ? b : a), [Infinity, null]);
    choose(gap <= REACH_PX ? site : null);
  });
  sites.addEventListener("change", () => choose(sites.value));
  add.addEventListener("click", () => setAdding(!adding));
  part.querySelector("[data-spot=done]").addEventListener("click", () => setAdding(false));
  card.addEventListener("click", (e) => {
    const act = e.target.dataset.spot;
    if (act === "close") choose(null);
    if (act !== "not" || !chosen) return;
    const note = e.target.dataset.note;
    const item = { action: "not_pinhole", place_mm: chosen.place_mm, defect: chosen.site, coat: coat.number, note };
    make(coat.frame_number, item, `${chosen.site} in coat ${coat.number} is ${note}`);
    card.querySelector(".say").textContent = `Noted: ${note}, no pinhole.`;
  });
  onChange.push(() => {
    const own = made.filter((m) => m.frame === coat.frame_number && m.item.coat === coat.number).map((m) => m.item);
    const gone = new Set(own.filter((i) => i.action === "not_pinhole").map((i) => i.defect));
    svg.querySelectorAll(".spot").forEach((g) => g.classList.toggle("gone", gone.has(g.dataset.site)));
    preview.replaceChildren(...own.filter((i) => i.action === "pinhole").map((i) => {
      const [x, y] = view.toPx(i.place_mm), r = 8 * view.perScreenPx();
      return drawn("path", { class: "set", d: `M${x - r} ${y}L${x} ${y - r}L${x + r} ${y}L${x} ${y + r}Z` });
    }));
  });
}

// Two coats in register: the earlier one covers the later one from the left, as far as the slider says.
function startCompare() {
  const box = byId("compare");
  if (!box) return;
  const svg = box.querySelector("svg"), range = box.querySelector("[type=range]");
  const [before, after] = box.querySelectorAll("select");
  const clip = svg.querySelector("clipPath rect"), cut = svg.querySelector(".cut");
  const [under, over] = svg.querySelectorAll("use");
  const placed = (name) => data.pictures.find((p) => p.name === name);
  function lay(use, picture, base) {
    const step = picture.mm_per_px / base.mm_per_px;
    const x = (picture.x0_mm - base.x0_mm) / base.mm_per_px, y = (picture.y0_mm - base.y0_mm) / base.mm_per_px;
    use.setAttribute("href", `#pic-${picture.name}`);
    use.setAttribute("transform", `translate(${x} ${y}) scale(${step})`);
  }
  function show() {
    const base = placed(after.value);
    const x = (base.width_px * Number(range.value)) / 100;
    svg.setAttribute("viewBox", `0 0 ${base.width_px} ${base.height_px}`);
    lay(under, base, base);
    lay(over, placed(before.value), base);
    clip.setAttribute("width", x);
    clip.setAttribute("height", base.height_px);
    Object.entries({ x1: x, x2: x, y1: 0, y2: base.height_px }).forEach(([k, v]) => cut.setAttribute(k, v));
    range.setAttribute("aria-valuetext", `${range.value} % from the left show ${before.selectedOptions[0].text}`);
  }
  function follow(e) {
    const { left, width } = svg.getBoundingClientRect();
    range.value = Math.round((100 * (e.clientX - left)) / width);
    show();
  }
  svg.addEventListener("pointerdown", (e) => { svg.setPointerCapture(e.pointerId); follow(e); });
  svg.addEventListener("pointermove", (e) => { if (svg.hasPointerCapture(e.pointerId)) follow(e); });
  [range, before, after].forEach((field) => field.addEventListener("input", show));
  show();
}
