// The slab's map: tap a defect, correct it, redraw it, draw one that was missed.
function startMap() {
  const map = byId("map"), slab = data.slab;
  if (!map || !slab) return;
  const view = viewOf(map, slab.frame);
  const card = byId("card"), pen = byId("pen"), preview = map.appendChild(drawn("g", { class: "preview" }));
  const field = (name) => card.querySelector(`[name=${name}]`);
  const say = (words) => { card.querySelector(".say").textContent = words; };
  let chosen = null;
  let drawing = null; // { points (mm), of (the defect that is redrawn, or null), shape, grips }

  function gapToSide(p, a, b) {
    const dx = b.x - a.x, dy = b.y - a.y;
    const t = Math.max(0, Math.min(1, ((p.x - a.x) * dx + (p.y - a.y) * dy) / (dx * dx + dy * dy || 1)));
    return Math.hypot(p.x - a.x - t * dx, p.y - a.y - t * dy);
  }
  const sideGaps = (p, outline) => {
    const at = outline.map(view.toScreen);
    return at.map((a, k) => gapToSide(p, a, at[(k + 1) % at.length]));
  };

  function choose(id) {
    if (drawing) return;
    chosen = slab.defects.find((d) => d.id === id) || null;
    map.querySelectorAll(".defect").forEach((g) => g.classList.toggle("chosen", g.dataset.id === id));
    card.hidden = !chosen;
    if (!chosen) return;
    card.querySelector(".figures").textContent = `${chosen.id}: ${chosen.figures}`;
    card.querySelector("[data-act=through]").textContent = chosen.through ? "Does not go through" : "Goes through";
    field("kind").value = chosen.kind;
    field("depth").value = "";
    field("note").value = chosen.note;
    say("");
    card.scrollIntoView({ block: "nearest" });
  }

  function chooseNear(event) {
    const p = { x: event.clientX, y: event.clientY };
    const gaps = slab.defects
      .filter((d) => map.querySelector(`.defect[data-id="${d.id}"]`).getClientRects().length)
      .map((d) => [Math.min(...sideGaps(p, d.outline_mm)), d.id]);
    const [gap, id] = gaps.reduce((a, b) => (b[0] < a[0] ? b : a), [Infinity, null]);
    if (gap <= REACH_PX) choose(id);
  }

  function correct(action, values, words) {
    make(slab.frame_number, { action, place_mm: chosen.place_mm, defect: chosen.id, ...values }, `${chosen.id} ${words}`);
    say(`Noted: ${words}.`);
  }

  function setDepth() {
    const mm = parseLength(field("depth").value);
    if (mm === null) { say(SAY_UNIT); return; }
    if (slab.thickness_mm && mm > 1.02 * slab.thickness_mm) { say(`The slab is only ${slab.thickness_mm} mm thick.`); return; }
    correct("depth", { depth_mm: mm }, `${field("depth").value.trim()} deep (${mm} mm)`);
  }

  // Drawing: a new outline is tapped point by point; an old one has points to drag and takes new ones on its line.
  function draw(of) {
    stop();
    card.hidden = true;
    const shape = map.appendChild(drawn("path", { class: "pen" }));
    const grips = map.appendChild(drawn("g", {}));
    drawing = { points: of ? of.outline_mm.map((p) => [...p]) : [], of, shape, grips };
    map.classList.add("drawing");
    pen.hidden = false;
    pen.querySelector("label").hidden = Boolean(of);
    pen.querySelector(".say").textContent = of
      ? `Drag the points of ${of.id}; tap on its line for a new point.`
      : "Tap around the rim, point by point, then Done. Make the map larger for small ones.";
    paint();
    byId("view").scrollIntoView({ block: "nearest" });
  }

  const outline = (points) => (points.length ? `M${points.map((p) => view.toPx(p).join(" ")).join("L")}Z` : "");

  function paint() {
    drawing.shape.setAttribute("d", outline(drawing.points));
    drawing.grips.replaceChildren(...drawing.points.map((point, k) => {
      const [cx, cy] = view.toPx(point);
      const grip = drawn("circle", { class: "grip", cx, cy, r: GRIP_PX * view.perScreenPx() });
      grip.dataset.point = k;
      return grip;
    }));
    pen.querySelector("[data-pen=done]").disabled = drawing.points.length < 3;
  }

  function addPoint(event) {
    if (event.target.dataset.point) return;
    const mm = view.toMm(event);
    if (!drawing.of) {
      drawing.points.push(mm);
    } else {
      const gaps = sideGaps({ x: event.clientX, y: event.clientY }, drawing.points);
      const side = gaps.indexOf(Math.min(...gaps));
      if (gaps[side] > REACH_PX) return;
      drawing.points.splice(side + 1, 0, mm);
    }
    paint();
  }

  function stop() {
    if (!drawing) return;
    drawing.shape.remove();
    drawing.grips.remove();
    drawing = null;
    map.classList.remove("drawing");
    pen.hidden = true;
  }

  function done() {
    const { of, points } = drawing;
    const kind = pen.querySelector("[name=new_kind]");
    stop();
    if (of) make(slab.frame_number, { action: "redraw", place_mm: of.place_mm, defect: of.id, outline_mm: points }, `${of.id} redrawn`);
    else make(slab.frame_number, { action: "add", kind: kind.value, outline_mm: points }, `a ${kind.selectedOptions[0].text} drawn`);
  }

  // What was corrected shows at once: dropped ones struck out, drawn outlines in ink.
  onChange.push(() => {
    const own = made.filter((m) => m.frame === slab.frame_number).map((m) => m.item);
    const gone = new Set(own.filter((i) => i.action === "drop").map((i) => i.defect));
    document.querySelectorAll(".defect, tr[data-id]").forEach((g) => g.classList.toggle("gone", gone.has(g.dataset.id)));
    preview.replaceChildren(...own.filter((i) => i.outline_mm).map((i) => drawn("path", { class: "pen", d: outline(i.outline_mm) })));
    if (drawing) paint();
  });

  let held = null, dragged = false;
  map.addEventListener("pointerdown", (e) => {
    if (!drawing || e.target.dataset.point === undefined) return;
    held = Number(e.target.dataset.point);
    map.setPointerCapture(e.pointerId);
  });
  map.addEventListener("pointermove", (e) => {
    if (held === null || !drawing) return;
    drawing.points[held] = view.toMm(e);
    paint();
  });
  map.addEventListener("pointerup", () => { dragged = held !== null; held = null; });
  map.addEventListener("pointercancel", () => { held = null; });
  map.addEventListener("click", (e) => {
    if (dragged) { dragged = false; return; }
    if (drawing) { addPoint(e); return; }
    const group = e.target.closest(".defect");
    if (group) choose(group.dataset.id);
    else chooseNear(e);
  });
  map.querySelectorAll(".defect").forEach((g) => g.addEventListener("keydown", (e) => {
    if (e.key === "Enter" || e.key === " ") { e.preventDefault(); choose(g.dataset.id); }
  }));
  document.querySelectorAll("tr[data-id]").forEach((row) => row.addEventListener("click", () => choose(row.dataset.id)));
  const acts = {
    kind: () => correct("kind", { kind: field("kind").value }, `is a ${field("kind").selectedOptions[0].text}`),
    drop: () => correct("drop", {}, "is no defect"),
    through: () => correct("through", { through: !chosen.through }, chosen.through ? "does not go through" : "goes through"),
    redraw: () => draw(chosen),
    depth: setDepth,
    note: () => { if (field("note").value.trim()) correct("note", { note: field("note").value }, "has a note"); },
    close: () => choose(null),
  };
  card.addEventListener("click", (e) => { if (chosen && e.target.dataset.act) acts[e.target.dataset.act](); });
  const strokes = { back: () => { drawing.points.pop(); paint(); }, done, leave: stop };
  pen.addEventListener("click", (e) => { if (drawing && e.target.dataset.pen) strokes[e.target.dataset.pen](); });
  byId("add").addEventListener("click", () => { choose(null); draw(null); });
  document.querySelectorAll("[data-layer]").forEach((box) => box.addEventListener("change", () => {
    map.classList.toggle(`no-${box.dataset.layer}`, !box.checked);
  }));
}
