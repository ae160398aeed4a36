// The controls of one person's mask: wider, narrower, the brush, and the way back.

import { allow, button, make, say } from "./dom.js";
import { wider } from "./wording.js";

export class MaskControls {
  /** `change(action, meant)` asks for a change; `brush` paints; `changed` hears of another brush. */
  constructor(change, brush, changed) {
    this.change = change;
    this.brush = brush;
    this.changed = changed;
    this.none = make("p", {}, "This is the base's own head: nothing is set in, and there is no mask.");
    this.wide = make("span", { class: "figure wide" });
    this.modes = {
      paint: button("Paint more head", () => this.take("paint"), { "aria-pressed": "false" }),
      erase: button("Erase it", () => this.take("erase"), { "aria-pressed": "false" }),
    };
    this.size = this.#slider("Brush size", 1, 100, 25, (value) => `${Math.round(2 * this.#radius(value))} px`);
    this.soft = this.#slider("Softness", 0, 100, 50, (value) => `${value} %`);
    this.back = button("Back to the computed mask", () => {
      this.change({ clear_mask: this.person.id }, `the computed mask of ${this.person.id}`);
    });
    this.tools = make(
      "div",
      {},
      make(
        "div",
        { class: "row" },
        button("Narrower", () => this.widen(-1)),
        this.wide,
        button("Wider", () => this.widen(1)),
      ),
      make("div", { class: "row" }, this.modes.paint, this.modes.erase),
      make("div", { class: "row" }, this.size.label, this.soft.label),
      this.back,
    );
    this.element = make("fieldset", { class: "mask" }, make("legend", {}, "Mask"), this.none, this.tools);
  }

  update(state, person) {
    const other = this.person?.id !== person.id;
    this.state = state;
    this.person = person;
    if (other || !person.area) this.take("");
    this.none.hidden = Boolean(person.area);
    this.tools.hidden = !person.area;
    const px = person.widen_px;
    say(this.wide, wider(px));
    allow(this.back, px || person.strokes);
    this.#tell();
  }

  /** Take the brush up to paint or to erase, or with the same word again lay it down. */
  take(mode) {
    if (mode && !this.person?.area) return;
    const next = mode === this.brush.mode ? "" : mode;
    this.brush.take(next);
    for (const [name, press] of Object.entries(this.modes)) press.setAttribute("aria-pressed", String(name === next));
    this.changed(next);
  }

  widen(by) {
    const { person, state } = this;
    if (!person?.area) return;
    // A step that is just seen on the screen, whatever the camera.
    const step = Math.max(1, Math.round(state.size[0] / 1500));
    const px = person.widen_px + by * step;
    this.change({ widen: [person.id, px] }, `the mask of ${person.id} ${by > 0 ? "wider" : "narrower"}`);
  }

  grow(by) {
    this.size.input.value = String(Number(this.size.input.value) + by);
    this.#tell();
  }

  #slider(words, low, high, start, told) {
    const output = make("span", { class: "figure", "aria-hidden": "true" });
    const input = make("input", { type: "range", min: low, max: high, value: start, "aria-label": words });
    input.addEventListener("input", () => this.#tell());
    return { input, output, told, label: make("label", { class: "slide" }, make("span", {}, words), output, input) };
  }

  // Small brushes need finer steps than large ones: the radius grows with the square of the slider.
  #radius(value) {
    const { area } = this.person ?? {};
    const most = area ? Math.max(area[2] - area[0], area[3] - area[1]) / 2 : 100;
    return Math.max(1, most * (value / 100) ** 2);
  }

  #tell() {
    for (const { input, output, told } of [this.size, this.soft]) {
      say(output, told(Number(input.value)));
      input.setAttribute("aria-valuetext", output.textContent);
    }
    this.brush.radius = this.#radius(Number(this.size.input.value));
    this.brush.softness = Number(this.soft.input.value) / 100;
  }
}
