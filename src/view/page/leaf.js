// Leafing through the subs of a result: back, on, by itself, by slider.
class Leaf {
  constructor(root, index, viewer) {
    this.index = index;
    this.count = report.results[index].subs.length;
    this.viewer = viewer;
    this.slider = root.querySelector(".leaf-slider");
    this.play = root.querySelector(".leaf-play");
    this.timer = 0;
    root.querySelector(".leaf-back").addEventListener("click", () => this.step(-1));
    root.querySelector(".leaf-on").addEventListener("click", () => this.step(1));
    this.slider.addEventListener("input", () => this.go(Number(this.slider.value)));
    this.play.addEventListener("click", () => this.toggle());
    choice.listeners.push((result, sub) => {
      if (result !== this.index || sub < 0) return;
      this.slider.value = sub;
      if (this.viewer.layer.value === "subs") this.viewer.showSub(sub);
    });
  }

  step(by) {
    const now = Math.max(choice.chosen[this.index], 0);
    this.go((now + by + this.count) % this.count);
  }

  go(sub) { choice.set(this.index, sub, "leaf"); }

  toggle() {
    if (this.timer) {
      clearInterval(this.timer);
      this.timer = 0;
    } else {
      this.timer = setInterval(() => this.step(1), 450);
    }
    this.play.textContent = this.timer ? "Stop" : "Blink";
    this.play.setAttribute("aria-pressed", this.timer ? "true" : "false");
  }
}
