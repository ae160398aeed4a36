// The frames of the burst: which is the base, which give heads, which may not. Made only while it is open.

import { allow, button, byId, make, say } from "./dom.js";

export class Frames {
  #state = null;
  #rows = new Map();

  constructor(change) {
    this.change = change;
    this.room = byId("frames");
    this.list = this.room.querySelector(".all");
    this.room.addEventListener("toggle", () => this.#show());
    byId("own-base").addEventListener("click", () => {
      if (this.#state?.base_forced) change({ base: null }, "the program's choice of the base");
    });
  }

  update(state) {
    this.#state = state;
    this.#show();
  }

  #show() {
    const state = this.#state;
    if (!this.room.open || !state) {
      this.list.replaceChildren();
      this.#rows.clear();
      return;
    }
    say(byId("base-why"), state.base_why);
    allow(byId("own-base"), state.base_forced);
    const notes = (state.notes ?? []).map((note) => make("li", {}, note));
    this.room.querySelector(".notes").replaceChildren(...notes);
    const gives = new Map();
    for (const { id, pick, from_base: own } of state.people) {
      if (!own) gives.set(pick, [...(gives.get(pick) ?? []), id]);
    }
    for (const frame of state.frames) {
      if (!this.#rows.has(frame.index)) this.#rows.set(frame.index, this.#row(frame));
      this.#tell(this.#rows.get(frame.index), frame, gives.get(frame.index) ?? []);
    }
  }

  #row({ index, name }) {
    const row = { use: make("span", { class: "use" }) };
    row.heads = button("", () => {
      if (this.#state.forbidden.includes(index)) this.change({ allow: index }, `${name} allowed again`);
      else this.change({ forbid: index }, `no heads from ${name}`);
    });
    const asBase = button("Make it the base", () => this.change({ base: index }, `${name} as the base`), {
      "aria-label": `Make ${name} the base`,
    });
    row.presses = make("span", { class: "row" }, asBase, row.heads);
    // What became the base has no buttons: their focus stays in the row.
    const told = make("span", { class: "told" }, make("span", { class: "name" }, name), " ", row.use);
    row.element = make("li", { tabindex: -1 }, told, row.presses);
    this.list.append(row.element);
    return row;
  }

  #tell(row, { index, name, aligned, note }, gives) {
    const base = index === this.#state.base;
    const no = this.#state.forbidden.includes(index);
    const uses = [];
    if (base) uses.push("the base");
    if (gives.length) uses.push(`gives ${gives.join(", ")}`);
    if (no) uses.push("✗ gives no heads");
    if (!aligned) uses.push("left out");
    if (note) uses.push(note);
    say(row.use, uses.join(" · ") || "not used");
    say(row.heads, no ? "Allow heads" : "No heads from it");
    row.heads.setAttribute("aria-label", `${no ? "Allow heads from" : "No heads from"} ${name}`);
    const none = base || !aligned;
    if (none && row.presses.contains(document.activeElement)) row.element.focus();
    row.presses.hidden = none;
  }
}
