// Charts over the subs, linked: what is pointed at in one is marked in all.
const chartList = [];

function baseOptions(title, unit) {
  const quiet = styleColour("quiet"), rule = styleColour("rule");
  return {
    animation: false, responsive: true, maintainAspectRatio: false,
    interaction: { mode: "nearest", intersect: false, axis: "x" },
    scales: {
      x: { type: "linear", ticks: { color: quiet, precision: 0 }, grid: { color: rule },
           title: { display: true, text: "sub, in order of time", color: quiet } },
      y: { ticks: { color: quiet }, grid: { color: rule },
           title: { display: unit !== "", text: unit, color: quiet } },
    },
    plugins: {
      legend: { display: false },
      title: { display: true, text: title, color: styleColour("ink") },
    },
  };
}

function subChart(canvas, index, figure) {
  const subs = report.results[index].subs;
  const points = [];
  subs.forEach((sub, i) => {
    if (typeof sub.values[figure] === "number") points.push({ x: i + 1, y: sub.values[figure], sub: i });
  });
  if (!points.length) {
    canvas.closest("figure").hidden = true;
    return;
  }
  const options = baseOptions(canvas.dataset.title, canvas.dataset.unit);
  options.onHover = (_, hits) => { if (hits.length) choice.set(index, points[hits[0].index].sub, "chart"); };
  options.onClick = options.onHover;
  options.plugins.tooltip = {
    callbacks: {
      title: (items) => subs[points[items[0].dataIndex].sub].path,
      label: (item) => `${Number(item.parsed.y.toPrecision(5))} ${canvas.dataset.unit}`,
      afterLabel: (item) => {
        const sub = subs[points[item.dataIndex].sub];
        return sub.kept ? "kept" : "left out: " + sub.reason;
      },
    },
  };
  const accent = styleColour("accent"), alert = styleColour("alert"), sheet = styleColour("sheet");
  const chart = new Chart(canvas, {
    type: "scatter",
    data: { datasets: [{
      data: points,
      pointStyle: points.map((p) => (subs[p.sub].kept ? "circle" : "crossRot")),
      pointBackgroundColor: points.map((p) => (subs[p.sub].kept ? accent : sheet)),
      pointBorderColor: points.map((p) => (subs[p.sub].kept ? accent : alert)),
      pointBorderWidth: 2, pointRadius: subs.length > 120 ? 2.5 : 4, pointHoverRadius: 8,
    }] },
    options,
  });
  chartList.push({ chart, index, points });
}

function growthChart(canvas, index) {
  const options = baseOptions(canvas.dataset.title, canvas.dataset.unit);
  options.scales.x.title.text = "subs combined";
  options.scales.x.type = options.scales.y.type = "logarithmic";
  new Chart(canvas, {
    type: "scatter",
    data: { datasets: [{ data: report.results[index].growth.map(([x, y]) => ({ x, y })), showLine: true,
                         borderColor: styleColour("accent"), backgroundColor: styleColour("accent") }] },
    options,
  });
}

const marking = new Set();

function markChosen() {
  for (const { chart, index, points } of chartList) {
    if (!marking.has(index)) continue;
    const at = points.findIndex((p) => p.sub === choice.chosen[index]);
    chart.setActiveElements(at < 0 ? [] : [{ datasetIndex: 0, index: at }]);
    chart.render();
  }
  marking.clear();
  document.documentElement.dataset.marked = choice.chosen.join(" ");
}

function startCharts() {
  for (const canvas of document.querySelectorAll("canvas.sub-chart")) {
    subChart(canvas, Number(canvas.dataset.result), canvas.dataset.figure);
  }
  for (const canvas of document.querySelectorAll("canvas.growth-chart")) {
    growthChart(canvas, Number(canvas.dataset.result));
  }
  choice.listeners.push((result) => {
    // At most once a frame, however fast the pointer moves.
    if (marking.size === 0) requestAnimationFrame(markChosen);
    marking.add(result);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => location.reload());
}
