"use strict";
// Corrections are kept in this page until they are saved as a file for `voidmap correct`.
(() => {
  const data = JSON.parse(document.getElementById("facts").textContent);
  const map = document.getElementById("map");
  if (!map) return;
  const REACH_PX = 22; // A finger's tap counts for a defect this close to it on the screen.
  const GRIP_PX = 9; // Half the size of a point to drag, on the screen.
  const SVG = "http://www.w3.org/2000/svg";
  const card = document.getElementById("card");
  const pen = document.getElementById("pen");
  const made = [];
  let chosen = null;
  let drawing = null; // { points (mm), of (the defect that is redrawn, or null), shape, grips }
  const field = (name) => card.querySelector(`[name=${name}]`);

  // Frames: the screen, the picture's pixels, the slab's millimetres.
  const round = (mm) => Math.round(mm * 1000) / 1000;
  const toPx = ([x, y]) => [(x - data.frame.x0_mm) / data.frame.mm_per_px, (y - data.frame.y0_mm) / data.frame.mm_per_px];
  const toScreen = (mm) => { const [x, y] = toPx(mm); return new DOMPoint(x, y).matrixTransform(map.getScreenCTM()); };
  function toMm(event) {
    const at = new DOMPoint(event.clientX, event.clientY).matrixTransform(map.getScreenCTM().inverse());
    return [round(at.x * data.frame.mm_per_px + data.frame.x0_mm), round(at.y * data.frame.mm_per_px + data.frame.y0_mm)];
  }

  function gapToSide(p, a, b) {
    const dx = b.x - a.x, dy = b.y - a.y;
    const t = Math.max(0, Math.min(1, ((p.x - a.x) * dx + (p.y - a.y) * dy) / (dx * dx + dy * dy || 1)));
    return Math.hypot(p.x - a.x - t * dx, p.y - a.y - t * dy);
  }
  const sideGaps = (p, outline) => {
    const at = outline.map(toScreen);
    return at.map((a, k) => gapToSide(p, a, at[(k + 1) % at.length]));
  };

  function choose(id) {
    if (drawing) return;
    chosen = data.defects.find((d) => d.id === id) || null;
    map.querySelectorAll(".defect").forEach((g) => g.classList.toggle("chosen", g.dataset.id === id));
    card.hidden = !chosen;
    if (!chosen) return;
    card.querySelector(".figures").textContent = `${chosen.id}: ${chosen.figures}`;
    field("kind").value = chosen.kind;
    field("depth").value = "";
    field("note").value = chosen.note;
    card.scrollIntoView({ block: "nearest" });
  }

  function chooseNear(event) {
    const p = { x: event.clientX, y: event.clientY };
    const gaps = data.defects
      .filter((d) => map.querySelector(`.defect[data-id="${d.id}"]`).getClientRects().length)
      .map((d) => [Math.min(...sideGaps(p, d.outline_mm)), d.id]);
    const [gap, id] = gaps.reduce((a, b) => (b[0] < a[0] ? b : a), [Infinity, null]);
    if (gap <= REACH_PX) choose(id);
  }

  function make(action, values) {
    made.push({ action, place_mm: chosen.place_mm, defect: chosen.id, ...values });
    show();
  }

  function show() {
    const told = (m) => m.kind || m.note || (m.depth_mm ? `${m.depth_mm} mm` : "");
    const words = made.map((m) => `${m.defect || "new"}: ${m.action} ${told(m)}`.trim());
    document.getElementById("made").textContent = words.length ? words.join("; ") : "none yet";
    document.querySelectorAll("[data-needs-made]").forEach((b) => { b.disabled = made.length === 0; });
  }

  // Drawing: a new outline is tapped point by point; an old one has points to drag and takes new ones on its line.
  function draw(of) {
    stop();
    card.hidden = true;
    const shape = document.createElementNS(SVG, "path");
    shape.setAttribute("class", "pen");
    const grips = document.createElementNS(SVG, "g");
    map.append(shape, grips);
    drawing = { points: of ? of.outline_mm.map((p) => [...p]) : [], of, shape, grips };
    map.classList.add("drawing");
    pen.hidden = false;
    pen.querySelector("label").hidden = Boolean(of);
    pen.querySelector(".say").textContent = of
      ? `Drag the points of ${of.id}; tap on its line for a new point.`
      : "Tap around the rim, point by point, then Done. Make the map larger for small ones.";
    paint();
    document.getElementById("view").scrollIntoView({ block: "nearest" });
  }

  function paint() {
    const at = drawing.points.map(toPx);
    drawing.shape.setAttribute("d", at.length ? `M${at.map((p) => p.join(" ")).join("L")}Z` : "");
    drawing.grips.replaceChildren(...at.map(([x, y], k) => {
      const grip = document.createElementNS(SVG, "circle");
      const r = GRIP_PX / map.getScreenCTM().a;
      Object.entries({ class: "grip", cx: x, cy: y, r }).forEach(([name, value]) => grip.setAttribute(name, value));
      grip.dataset.point = k;
      return grip;
    }));
    pen.querySelector("[data-pen=done]").disabled = drawing.points.length < 3;
  }

  function addPoint(event) {
    if (event.target.dataset.point) return;
    const mm = toMm(event);
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
    if (of) made.push({ action: "redraw", place_mm: of.place_mm, defect: of.id, outline_mm: points });
    else made.push({ action: "add", kind: pen.querySelector("[name=new_kind]").value, outline_mm: points });
    stop();
    show();
  }

  let held = null;
  map.addEventListener("pointerdown", (e) => {
    if (!drawing || e.target.dataset.point === undefined) return;
    held = Number(e.target.dataset.point);
    map.setPointerCapture(e.pointerId);
  });
  map.addEventListener("pointermove", (e) => {
    if (held === null || !drawing) return;
    drawing.points[held] = toMm(e);
    paint();
  });
  let dragged = false;
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
  card.addEventListener("click", (e) => {
    const act = e.target.dataset.act;
    if (!act || !chosen) return;
    if (act === "kind") make("kind", { kind: field("kind").value });
    if (act === "drop") make("drop", {});
    if (act === "through") make("through", { through: true });
    if (act === "redraw") draw(chosen);
    if (act === "depth") {
      const depth = Number(field("depth").value.replace(",", "."));
      if (depth > 0) make("depth", { depth_mm: depth });
    }
    if (act === "note" && field("note").value.trim()) make("note", { note: field("note").value });
    if (act === "close") choose(null);
  });
  pen.addEventListener("click", (e) => {
    const act = e.target.dataset.pen;
    if (act === "back") { drawing.points.pop(); paint(); }
    if (act === "done") done();
    if (act === "leave") stop();
  });
  document.getElementById("add").addEventListener("click", () => { choose(null); draw(null); });
  document.getElementById("undo").addEventListener("click", () => { made.pop(); show(); });
  document.getElementById("save").addEventListener("click", () => {
    const group = { slab_outline_mm: data.slab_outline_mm, items: made, marks_mm: data.marks_mm };
    const text = JSON.stringify({ schema: "voidmap/corrections/1", groups: [group] }, null, 1);
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    link.download = "corrections.json";
    link.click();
  });
  let zoom = 1;
  document.querySelectorAll("[data-zoom]").forEach((b) => b.addEventListener("click", () => {
    const view = document.getElementById("view");
    const old = zoom;
    zoom = Math.min(8, Math.max(1, zoom * Number(b.dataset.zoom)));
    const x = (view.scrollLeft + view.clientWidth / 2) / old, y = (view.scrollTop + view.clientHeight / 2) / old;
    map.style.width = `${100 * zoom}%`;
    view.style.maxHeight = zoom > 1 ? "85vh" : "";
    view.scrollTo(x * zoom - view.clientWidth / 2, y * zoom - view.clientHeight / 2);
    if (drawing) paint();
  }));
  document.querySelectorAll("[data-layer]").forEach((box) => box.addEventListener("change", () => map.classList.toggle(`no-${box.dataset.layer}`, !box.checked)));
  show();
})();
