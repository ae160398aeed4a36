// Elements from words. Text always goes in as text, so a file name can hold anything.

/** Make an element; properties beginning with "on" are listeners, null and false ones are left out. */
export function make(tag, properties = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (value === null || value === false || value === undefined) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return element;
}

export function button(words, press, properties = {}) {
  const element = make("button", { type: "button", ...properties }, words);
  element.addEventListener("click", () => element.getAttribute("aria-disabled") !== "true" && press());
  return element;
}

/** Switch a button off without taking the focus from whoever has just pressed it. */
export function allow(press, on) {
  press.setAttribute("aria-disabled", String(!on));
}

/** Change a text only if it differs: a live region speaks at every change, and a selection stays. */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

export const byId = (id) => document.getElementById(id);
