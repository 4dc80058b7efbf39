// Building pages without markup in strings, so that no text from a chip, file or server can become code.

export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === false || value === null || value === undefined) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name in element && typeof value !== "string") element[name] = value;
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...present(children));
  return element;
}

export function fill(element, ...children) {
  element.replaceChildren(...present(children));
}

const present = (children) => children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false);

// Text in which `words` between back-ticks are code; blank lines part paragraphs.
export function prose(text) {
  return (text || "").split(/\n\s*\n/).map((paragraph) =>
    make("p", {}, paragraph.split(/(`[^`]+`)/).map((piece) =>
      piece.startsWith("`") && piece.endsWith("`") && piece.length > 2 ? make("code", {}, piece.slice(1, -1)) : piece)));
}

export function sizeWords(bytes) {
  if (bytes === null || bytes === undefined) return "";
  return bytes % 1024 === 0 && bytes >= 1024 ? `${(bytes / 1024).toLocaleString("en")} KiB` : `${bytes.toLocaleString("en")} bytes`;
}

// A countdown: 1:07:09, or 7:09.
export function clockWords(seconds) {
  const whole = Math.max(0, Math.round(seconds));
  const two = (value) => String(value).padStart(2, "0");
  const [hours, minutes] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60];
  return hours ? `${hours}:${two(minutes)}:${two(whole % 60)}` : `${minutes}:${two(whole % 60)}`;
}

export function timeWords(seconds) {
  if (seconds === null || seconds === undefined) return "";
  if (seconds < 1) return "less than a second";
  const whole = Math.round(seconds);
  return whole < 100 ? `${whole} s` : `${Math.floor(whole / 60)} min ${whole % 60} s`;
}
