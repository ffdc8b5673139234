// The picture that can be moved, enlarged, stretched and overlaid.
class Viewer {
  constructor(root, index) {
    this.root = root;
    this.index = index;
    this.result = report.results[index];
    this.canvas = root.querySelector("canvas");
    this.view = { x: 0, y: 0, zoom: 1 };  // centre in the result's pixels, screen px per pixel
    this.loaded = new Map();
    this.layer = root.querySelector(".layer");
    this.strength = root.querySelector(".strength");
    this.darker = root.querySelector(".darker");
    this.where = root.querySelector(".where");
    this.buffer = document.createElement("canvas");
    this.fit();
    this.listen();
    this.show();
  }

  fit() {
    const { width, height } = this.result;
    const box = this.canvas.parentElement.clientWidth || 600;
    const ratio = Math.min(window.devicePixelRatio || 1, 2);
    const tall = Math.min(box * height / width, Math.max(280, 0.8 * window.innerHeight));
    this.canvas.width = Math.round(box * ratio);
    this.canvas.height = Math.round(tall * ratio);
    this.canvas.style.height = tall + "px";
    this.whole = Math.min(this.canvas.width / width, this.canvas.height / height);
    this.view = { x: (width - 1) / 2, y: (height - 1) / 2, zoom: this.whole };
  }

  zoomBy(factor, at) {
    const before = at ? this.toPixel(at.x, at.y) : null;
    this.view.zoom = Math.min(Math.max(this.view.zoom * factor, 0.5 * this.whole), 16);
    if (before) {
      const after = this.toPixel(at.x, at.y);
      this.view.x += before.x - after.x;
      this.view.y += before.y - after.y;
    }
    this.draw();
  }

  move(dx, dy) {
    this.view.x = Math.min(Math.max(this.view.x + dx, 0), this.result.width - 1);
    this.view.y = Math.min(Math.max(this.view.y + dy, 0), this.result.height - 1);
    this.draw();
  }

  toPixel(sx, sy) {
    const { x, y, zoom } = this.view;
    return { x: x + (sx - this.canvas.width / 2) / zoom, y: y - (sy - this.canvas.height / 2) / zoom };
  }

  toScreen(px, py) {
    const { x, y, zoom } = this.view;
    return [this.canvas.width / 2 + (px - x) * zoom, this.canvas.height / 2 - (py - y) * zoom];
  }

  screenPoint(event) {
    const box = this.canvas.getBoundingClientRect();
    const ratio = this.canvas.width / box.width;
    return { x: (event.clientX - box.left) * ratio, y: (event.clientY - box.top) * ratio };
  }

  listen() {
    const c = this.canvas;
    c.addEventListener("wheel", (e) => {
      if (!e.ctrlKey && document.activeElement !== c) return;  // else the page scrolls
      e.preventDefault();
      this.zoomBy(Math.exp(-e.deltaY / 400), this.screenPoint(e));
    }, { passive: false });
    let held = null;
    c.addEventListener("pointerdown", (e) => {
      held = this.screenPoint(e);
      c.setPointerCapture(e.pointerId);
      c.focus({ preventScroll: true });
    });
    c.addEventListener("pointermove", (e) => {
      const at = this.screenPoint(e);
      if (held) {
        this.move((held.x - at.x) / this.view.zoom, (at.y - held.y) / this.view.zoom);
        held = at;
      } else {
        this.tell(this.toPixel(at.x, at.y));
      }
    });
    c.addEventListener("pointerup", () => { held = null; });
    c.addEventListener("pointercancel", () => { held = null; });
    const step = () => 40 / this.view.zoom;
    const keys = {
      ArrowLeft: () => this.move(-step(), 0), ArrowRight: () => this.move(step(), 0),
      ArrowUp: () => this.move(0, step()), ArrowDown: () => this.move(0, -step()),
      "+": () => this.zoomBy(1.25), "=": () => this.zoomBy(1.25), "-": () => this.zoomBy(0.8),
      "0": () => { this.fit(); this.draw(); },
    };
    c.addEventListener("keydown", (e) => {
      if (!keys[e.key] || e.ctrlKey || e.altKey || e.metaKey) return;
      e.preventDefault();
      keys[e.key]();
    });
    this.root.querySelector(".nearer").addEventListener("click", () => this.zoomBy(1.5));
    this.root.querySelector(".farther").addEventListener("click", () => this.zoomBy(1 / 1.5));
    this.root.querySelector(".all").addEventListener("click", keys["0"]);
    this.layer.addEventListener("change", () => this.show());
    for (const slider of [this.strength, this.darker]) {
      slider.addEventListener("input", () => { this.paint(); this.draw(); });
    }
    for (const box of this.root.querySelectorAll(".over")) {
      box.addEventListener("change", () => this.draw());
    }
    let later = 0;
    window.addEventListener("resize", () => {
      clearTimeout(later);
      later = setTimeout(() => { this.fit(); this.draw(); }, 120);
    });
  }

  async show() {
    const wish = this.layer.value;
    this.root.classList.toggle("leafing", wish === "subs");
    const turn = this.turn = {};
    if (wish === "subs") {
      await this.showSub(Math.max(choice.chosen[this.index], 0));
      return;
    }
    const layer = this.result.layers[Number(wish)];
    if (!this.loaded.has(wish)) {
      const image = await loadPicture(layer.png);
      const pad = document.createElement("canvas");
      pad.width = image.width;
      pad.height = image.height;
      const context = pad.getContext("2d", { willReadFrequently: true });
      context.drawImage(image, 0, 0);
      this.loaded.set(wish, context.getImageData(0, 0, image.width, image.height).data);
      layer.width = image.width;
      layer.height = image.height;
    }
    if (this.turn !== turn) return;  // another wish came meanwhile
    this.current = layer;
    this.codes = this.loaded.get(wish);
    this.paint();
    this.draw();
    this.root.dataset.shown = layer.name;
  }

  async showSub(number) {
    const sub = this.result.subs[number];
    if (!sub || !sub.thumbnail) return;
    const turn = this.turn = {};
    const image = await loadPicture(sub.thumbnail);
    if (this.turn !== turn) return;
    this.buffer.width = image.width;
    this.buffer.height = image.height;
    this.buffer.getContext("2d").drawImage(image, 0, 0);
    this.current = null;
    this.draw();
    this.where.textContent = subWords(sub, number, this.result.subs.length);
    this.root.dataset.shown = "sub " + number;
  }

  paint() {
    if (!this.current) return;
    const { width, height } = this.current;
    this.buffer.width = width;
    this.buffer.height = height;
    const context = this.buffer.getContext("2d");
    const pixels = context.createImageData(width, height);
    const strength = Math.pow(2, Number(this.strength.value) / 10);
    if (this.current.light) {
      paintLight(this.current, this.codes, pixels.data, strength, Number(this.darker.value) / 10);
    } else {
      paintFigure(this.current, this.codes, pixels.data, strength);
    }
    context.putImageData(pixels, 0, 0);
  }

  draw() {
    const context = this.canvas.getContext("2d");
    context.fillStyle = "#000";
    context.fillRect(0, 0, this.canvas.width, this.canvas.height);
    const { width, height } = this.result;
    const [left, top] = this.toScreen(-0.5, height - 0.5);
    context.imageSmoothingEnabled = this.view.zoom < 2;
    context.drawImage(this.buffer, left, top, width * this.view.zoom, height * this.view.zoom);
    if (this.root.querySelector(".over-stars").checked) this.drawStars(context);
    if (this.root.querySelector(".over-trails").checked) this.drawTrails(context);
  }

  drawStars(context) {
    context.strokeStyle = "#ffd75e";
    context.lineWidth = 1.5;
    for (const [x, y] of this.result.stars) {
      const [sx, sy] = this.toScreen(x, y);
      context.beginPath();
      context.arc(sx, sy, Math.max(6, 5 * this.view.zoom), 0, 2 * Math.PI);
      context.stroke();
    }
  }

  drawTrails(context) {
    context.strokeStyle = "#ff8f5a";
    context.setLineDash([9, 6]);
    context.lineWidth = 2;
    const chosen = this.layer.value === "subs" ? Math.max(choice.chosen[this.index], 0) : -1;
    this.result.subs.forEach((sub, number) => {
      if (chosen >= 0 && number !== chosen) return;
      for (const [x1, y1, x2, y2, wide] of sub.trails) {
        const long = Math.hypot(x2 - x1, y2 - y1) || 1;
        const nx = -(y2 - y1) / long * wide / 2, ny = (x2 - x1) / long * wide / 2;
        for (const side of [-1, 1]) {  // both edges of what is masked
          context.beginPath();
          context.moveTo(...this.toScreen(x1 + side * nx, y1 + side * ny));
          context.lineTo(...this.toScreen(x2 + side * nx, y2 + side * ny));
          context.stroke();
        }
      }
    });
    context.setLineDash([]);
  }

  tell(at) {
    if (!this.current || at.x < 0 || at.y < 0) return;
    const { width, height } = this.current;
    const i = Math.floor((at.x + 0.5) * width / this.result.width);
    const j = height - 1 - Math.floor((at.y + 0.5) * height / this.result.height);
    if (i < 0 || j < 0 || i >= width || j >= height) return;
    const values = this.current.planes.map((_, p) =>
      decodeTable(this.current, p)[this.codes[4 * (j * width + i) + p]]);
    this.where.textContent = `x ${at.x.toFixed(0)}, y ${at.y.toFixed(0)}: ` +
      values.map((v) => (Number.isFinite(v) ? v.toPrecision(4) : "no data")).join(", ") +
      " (mean of the pixels shown)";
  }
}
