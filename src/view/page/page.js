"use strict";
// Shared by the parts of the page: its data, colours of the present setting, the chosen sub.
const report = JSON.parse(document.getElementById("report-data").textContent);

function styleColour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim();
}

// Every result has one chosen sub; charts, viewer and table follow it.
const choice = {
  listeners: [],
  chosen: report.results.map(() => -1),
  set(result, sub, origin) {
    if (this.chosen[result] === sub) return;
    this.chosen[result] = sub;
    for (const listen of this.listeners) listen(result, sub, origin);
  },
};

function loadPicture(base64) {
  return new Promise((resolve, reject) => {
    const image = new Image();
    image.onload = () => resolve(image);
    image.onerror = () => reject(new Error("a picture of this page is broken"));
    image.src = "data:image/png;base64," + base64;
  });
}

function subWords(sub, number, count) {
  return `${number + 1} of ${count}: ${sub.path}, ` +
    (sub.kept ? "kept" : "left out: " + (sub.reason || "no reason recorded")) +
    (sub.trails.length ? `; ${sub.trails.length} trail${sub.trails.length > 1 ? "s" : ""} masked` : "");
}
