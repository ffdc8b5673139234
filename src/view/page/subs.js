// The table of subs: a small picture of the chosen one, ticks, the keep list.
function startPeek(section, index) {
  const peek = section.querySelector(".peek");
  if (!peek) return;
  const image = peek.querySelector("img"), words = peek.querySelector("p");
  choice.listeners.push((result, sub, origin) => {
    if (result !== index || sub < 0) return;
    const row = report.results[index].subs[sub];
    peek.hidden = false;
    image.hidden = !row.thumbnail;
    if (row.thumbnail) image.src = "data:image/png;base64," + row.thumbnail;
    image.alt = "Small picture of " + row.path;
    words.textContent = subWords(row, sub, report.results[index].subs.length);
    for (const tr of section.querySelectorAll("tbody tr.chosen")) tr.classList.remove("chosen");
    const tr = section.querySelector(`tbody tr[data-sub="${sub}"]`);
    if (tr) tr.classList.add("chosen");
    if (tr && origin === "chart") {
      const box = tr.closest(".scroll");
      box.scrollTop = Math.max(0, tr.offsetTop - box.clientHeight / 2);
    }
  });
}

// One list for the whole page: a session is run as a whole.
function startKeepList() {
  const out = document.querySelector(".keep-out");
  if (!out) return;
  const text = out.querySelector("textarea"), count = out.querySelector(".keep-count");
  const boxes = [...document.querySelectorAll("input.use")];
  const refresh = () => {
    const names = boxes.filter((b) => b.checked)
      .map((b) => report.results[b.dataset.result].subs[b.dataset.sub].path);
    text.value = names.join("\n") + (names.length ? "\n" : "");
    count.textContent = `${names.length} of ${boxes.length} subs ticked`;
  };
  for (const box of boxes) {
    box.disabled = false;
    box.addEventListener("change", refresh);
  }
  out.querySelector("button").addEventListener("click", () => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text.value], { type: "text/plain" }));
    link.download = "keep.txt";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  });
  out.hidden = false;
  refresh();
}

function start() {
  document.documentElement.classList.add("live");
  document.querySelectorAll("section[data-result]").forEach((section) => {
    const index = Number(section.dataset.result);
    const root = section.querySelector(".viewer");
    if (root && report.results[index].layers.length) {
      root.hidden = false;
      const still = section.querySelector("figure.still");
      if (still) still.hidden = true;
      const viewer = new Viewer(root, index);
      const leaf = root.querySelector(".leaf");
      if (leaf) new Leaf(leaf, index, viewer);
    }
    startPeek(section, index);
    section.querySelectorAll("tbody tr[data-sub]").forEach((tr) => {
      tr.addEventListener("click", () => choice.set(index, Number(tr.dataset.sub), "table"));
    });
  });
  startKeepList();
  startCharts();
  document.documentElement.dataset.ready = "yes";
}

start();
