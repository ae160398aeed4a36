// The frames of the burst: which is the base, which give heads, which may not. Made only while it is open.

import { button, byId, make, say } from "./dom.js";
import { frameName } from "./wording.js";

export class Frames {
  #state = null;

  constructor(change) {
    this.change = change;
    this.room = byId("frames");
    this.list = this.room.querySelector(".all");
    this.room.addEventListener("toggle", () => this.#show());
    byId("own-base").addEventListener("click", () => change({ base: null }, "the program's choice of the base"));
  }

  update(state) {
    this.#state = state;
    this.#show();
  }

  #show() {
    const state = this.#state;
    if (!this.room.open || !state) {
      this.list.replaceChildren();
      return;
    }
    const forced = state.base_forced ? ", chosen by you" : "";
    const why = state.base_why ? `: ${state.base_why}` : "";
    say(byId("base-why"), `The base is ${frameName(state, state.base)}${forced}${why}`);
    byId("own-base").hidden = !state.base_forced;
    const notes = (state.notes ?? []).map((note) => make("li", {}, note));
    this.room.querySelector(".notes").replaceChildren(...notes);
    const held = document.activeElement?.dataset?.press;
    this.list.replaceChildren(...state.frames.map((frame) => this.#row(frame)));
    if (held) this.list.querySelector(`[data-press="${held}"]`)?.focus();
  }

  #row(frame) {
    const { index, name } = frame;
    const state = this.#state;
    const base = index === state.base;
    const no = state.forbidden.includes(index);
    const gives = state.people.filter((p) => p.pick === index && !p.from_base).map((p) => p.id);
    const uses = [];
    if (base) uses.push("the base");
    if (gives.length) uses.push(`gives ${gives.join(", ")}`);
    if (no) uses.push("✗ gives no heads");
    if (!frame.aligned) uses.push("left out");
    if (frame.note) uses.push(frame.note);
    const heads = button(no ? "Allow heads" : "No heads from it", () => {
      if (no) this.change({ allow: index }, `${name} allowed again`);
      else this.change({ forbid: index }, `no heads from ${name}`);
    }, { "data-press": `heads-${index}`, "aria-label": `${no ? "Allow heads from" : "No heads from"} ${name}` });
    const asBase = button("Make it the base", () => {
      this.change({ base: index }, `${name} as the base`);
    }, { "data-press": `base-${index}`, "aria-label": `Make ${name} the base` });
    return make(
      "li",
      {},
      make("span", { class: "name" }, name),
      make("span", { class: "use" }, uses.join(" · ") || "not used"),
      frame.aligned && !base ? make("span", { class: "row" }, asBase, heads) : null,
    );
  }
}
