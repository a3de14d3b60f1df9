// Small makers of elements. Text is always text, so a program named like a tag stays a name.

export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

export const units = () => localStorage.getItem("units") || window.shopUnits || "C";

export function degrees(celsius, digits = 0, unit = units()) {
  if (celsius === null || celsius === undefined) return "not known";
  const value = unit === "F" ? celsius * 1.8 + 32 : celsius;
  return `${value.toFixed(digits)} °${unit}`;
}

export const kelvins = (difference, unit = units()) =>
  `${(unit === "F" ? difference * 1.8 : difference).toFixed(0)}`;

export const clock = (when) => new Date(when).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });

export const day = (when) => new Date(when).toLocaleString([], { dateStyle: "medium", timeStyle: "short" });

export function span(seconds) {
  if (seconds === null || seconds === undefined) return "not known";
  const minutes = Math.round(seconds / 60);
  return minutes < 90 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
}

// A sentence carries clock times as {in:SECONDS}: only this phone knows the local clock.
export const spoken = (text) =>
  text.replace(/\{in:(-?\d+)\}/g, (_, seconds) => clock(Date.now() + 1000 * Number(seconds)));
