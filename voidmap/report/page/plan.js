// Checklists: what is ticked stays ticked in this browser, also in a newer sheet of the same job.
function startChecks() {
  const ticked = new Set(recall("ticks", []));
  const boxes = [...document.querySelectorAll("[data-tick]")];
  const count = () => {
    document.querySelectorAll("[data-count]").forEach((place) => {
      const own = boxes.filter((box) => box.closest("section").id === place.dataset.count);
      place.textContent = `${own.filter((box) => box.checked).length} of ${own.length} done`;
    });
  };
  boxes.forEach((box) => {
    box.checked = ticked.has(box.dataset.tick);
    box.addEventListener("change", () => {
      if (box.checked) ticked.add(box.dataset.tick);
      else ticked.delete(box.dataset.tick);
      remember("ticks", [...ticked]);
      count();
    });
  });
  count();
}

startPage();
startMap();
data.coats.forEach(startCoat);
startCompare();
startChecks();
changed();
