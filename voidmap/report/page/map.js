// The slab's map: tap a defect, correct it, redraw it, draw one that was missed.
function startMap() {
  const map = byId("map"), slab = data.slab;
  if (!map || !slab) return;
  const view = viewOf(map, slab.frame);
  const card = byId("card"), pen = byId("pen"), preview = map.appendChild(drawn("g", { class: "preview" }));
  const field = (name) => card.querySelector(`[name=${name}]`);
  const say = (words) => { card.querySelector(".say").textContent = words; };
  let chosen = null;
  let drawing = null; // { points (mm), of (the defect that is redrawn, or null), shape, grips, say, crossed }

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
    const say = of
      ? `Drag the points of ${of.id}; tap on its line for a new point. A larger map has more points.`
      : "Tap around the rim, point by point, then Done. Make the map larger for small ones.";
    const points = of ? of.outline_mm.map((p) => [...p]) : [];
    // A thin crack's outline may cross itself by the thinning of its points; only what is drawn counts.
    drawing = { points, of, shape, grips, say, crossed: crossings(points) };
    map.classList.add("drawing");
    document.body.classList.add("drawing");
    pen.hidden = false;
    [pen.querySelector("label"), pen.querySelector("[data-pen=back]")].forEach((item) => { item.hidden = Boolean(of); });
    if (of) closeTo(of.outline_mm);
    paint();
    byId("view").scrollIntoView({ block: "start" });
  }

  // Show a defect as large as it can be worked on: a third of the view.
  function closeTo(outline_mm) {
    const at = outline_mm.map(view.toScreen), frame = map.getBoundingClientRect(), box = byId("view");
    const span = (key) => [Math.min(...at.map((p) => p[key])), Math.max(...at.map((p) => p[key]))];
    const [left, right] = span("x"), [top, bottom] = span("y");
    const now = Number(box.dataset.size || 1);
    const fits = Math.min(box.clientWidth / (3 * (right - left || 1)), innerHeight / (3 * (bottom - top || 1)));
    zoomTo(box, now * fits, ((left + right) / 2 - frame.left) / frame.width, ((top + bottom) / 2 - frame.top) / frame.height);
  }

  // How many pairs of a closed line's sides cross.
  function crossings(points) {
    const side = (a, b, c) => Math.sign((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]));
    const next = (k) => points[(k + 1) % points.length];
    let found = 0;
    points.forEach((a, i) => points.forEach((c, j) => {
      if (j < i + 2 || (i === 0 && j === points.length - 1)) return;
      const b = next(i), d = next(j);
      if (side(a, b, c) * side(a, b, d) < 0 && side(c, d, a) * side(c, d, b) < 0) found += 1;
    }));
    return found;
  }

  const outline = (points) => (points.length ? `M${points.map((p) => view.toPx(p).join(" ")).join("L")}Z` : "");

  // Points to drag stand so far apart that the rim can be seen between them; a larger map shows more of them.
  function grippable() {
    const at = drawing.points.map(view.toScreen);
    return at.reduce((shown, p, k) => {
      const far = (other) => Math.hypot(p.x - at[other].x, p.y - at[other].y) >= 3 * GRIP_PX;
      return !shown.length || (far(shown[shown.length - 1]) && far(shown[0])) ? [...shown, k] : shown;
    }, []);
  }

  function paint() {
    drawing.shape.setAttribute("d", outline(drawing.points));
    const px = view.perScreenPx();
    drawing.grips.replaceChildren(...(drawing.of ? grippable() : drawing.points.map((_, k) => k)).flatMap((k) => {
      const [cx, cy] = view.toPx(drawing.points[k]);
      const point = { "data-point": k, cx, cy };
      return [
        drawn("circle", { class: "reach", r: (2 / 3) * REACH_PX * px, ...point }),
        drawn("circle", { class: "grip", r: GRIP_PX * px, ...point }),
      ];
    }));
    judge();
  }

  // While a point is dragged its circle must stay the same one, or a phone takes the finger for scrolling.
  function shift() {
    drawing.shape.setAttribute("d", outline(drawing.points));
    drawing.grips.querySelectorAll("circle").forEach((circle) => {
      const [cx, cy] = view.toPx(drawing.points[Number(circle.dataset.point)]);
      circle.setAttribute("cx", cx);
      circle.setAttribute("cy", cy);
    });
    judge();
  }

  // An outline needs three points, and must not cross itself more than it did.
  function judge() {
    const crossed = crossings(drawing.points) > drawing.crossed;
    pen.querySelector("[data-pen=done]").disabled = drawing.points.length < 3 || crossed;
    pen.querySelector(".say").textContent = crossed ? "The line crosses itself: it has no area to measure so." : drawing.say;
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
    document.body.classList.remove("drawing");
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

  // Points between one to drag and the next, each with the share of a move that it takes: less, the farther it is.
  function alongTo(point, way, shown) {
    const { points } = drawing, count = points.length, passed = [];
    let far = 0, k = point;
    do {
      const next = (k + way + count) % count;
      far += Math.hypot(points[next][0] - points[k][0], points[next][1] - points[k][1]);
      k = next;
      passed.push([k, far]);
    } while (!shown.has(k));
    return passed.slice(0, -1).map(([index, at]) => [index, 1 - at / far]);
  }

  // What is dragged takes the points between it and its neighbours along.
  let held = null, dragged = false;
  map.addEventListener("pointerdown", (e) => {
    if (!drawing || e.target.dataset.point === undefined) return;
    const shown = [...drawing.grips.querySelectorAll(".reach")].map((g) => Number(g.dataset.point));
    const point = Number(e.target.dataset.point);
    const shares = new Map([[point, 1]]);
    [1, -1].forEach((way) => alongTo(point, way, new Set(shown)).forEach(([k, share]) => shares.set(k, share)));
    held = { shares, from: view.toMm(e), points: drawing.points.map((p) => [...p]) };
    map.setPointerCapture(e.pointerId);
  });
  // A finger on a point drags it and does not scroll: browsers do not heed touch-action inside a drawing.
  map.addEventListener("touchstart", (e) => {
    if (drawing && e.target.dataset.point !== undefined) e.preventDefault();
  }, { passive: false });
  map.addEventListener("pointermove", (e) => {
    if (held === null || !drawing) return;
    const to = view.toMm(e);
    held.shares.forEach((share, k) => {
      drawing.points[k] = held.points[k].map((mm, i) => Math.round(1000 * (mm + share * (to[i] - held.from[i]))) / 1000);
    });
    shift();
  });
  map.addEventListener("pointerup", (e) => {
    if (held === null) return;
    dragged = e.pointerType === "mouse"; // its click is still to come; a finger's was stopped
    held = null;
    if (drawing) paint();
  });
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
