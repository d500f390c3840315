"use strict";
// Corrections are kept in this page until they are saved as a file for `voidmap correct`.
(() => {
  const data = JSON.parse(document.getElementById("facts").textContent);
  const map = document.getElementById("map");
  if (!map) return;
  const card = document.getElementById("card");
  const made = [];
  let chosen = null;
  const field = (name) => card.querySelector(`[name=${name}]`);

  function choose(id) {
    chosen = data.defects.find((d) => d.id === id) || null;
    map.querySelectorAll(".defect").forEach((g) => g.classList.toggle("chosen", g.dataset.id === id));
    card.hidden = !chosen;
    if (!chosen) return;
    card.querySelector(".figures").textContent = `${chosen.id}: ${chosen.figures}`;
    field("kind").value = chosen.kind;
    field("depth").value = "";
    field("note").value = chosen.note;
  }

  function make(action, values) {
    made.push({ action, place_mm: chosen.place_mm, defect: chosen.id, ...values });
    show();
  }

  function show() {
    const words = made.map((m) => `${m.defect}: ${m.action} ${m.kind || m.note || (m.depth_mm ? m.depth_mm + " mm" : "")}`);
    document.getElementById("made").textContent = words.length ? words.join("; ") : "none yet";
    document.querySelectorAll("[data-needs-made]").forEach((b) => { b.disabled = made.length === 0; });
  }

  map.querySelectorAll(".defect").forEach((g) => {
    g.addEventListener("click", () => choose(g.dataset.id));
    g.addEventListener("keydown", (e) => { if (e.key === "Enter" || e.key === " ") { e.preventDefault(); choose(g.dataset.id); } });
  });
  document.querySelectorAll("tr[data-id]").forEach((row) => row.addEventListener("click", () => choose(row.dataset.id)));
  card.addEventListener("click", (e) => {
    const act = e.target.dataset.act;
    if (!act || !chosen) return;
    if (act === "kind") make("kind", { kind: field("kind").value });
    if (act === "drop") make("drop", {});
    if (act === "through") make("through", { through: true });
    if (act === "depth") {
      const depth = Number(field("depth").value.replace(",", "."));
      if (depth > 0) make("depth", { depth_mm: depth });
    }
    if (act === "note") make("note", { note: field("note").value });
    if (act === "close") choose(null);
  });
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
  }));
  document.querySelectorAll("[data-layer]").forEach((box) => box.addEventListener("change", () => map.classList.toggle(`no-${box.dataset.layer}`, !box.checked)));
  show();
})();
