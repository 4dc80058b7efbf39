// Draws trays under a UV lamp: the countdown, each chip, the check of the tray. Nothing here switches a lamp.
import { clockWords, make, timeWords } from "./elements.js";

const TAGS = { lit: "live", unsure: "bad", checking: "live", paused: "bad", erased: "good", counted: "good", marginal: "live", "not-erased": "bad", "will-not-erase": "bad" };
const PREPARED = [["contents_stored", "What the chips hold is stored, or nobody wants it"], ["labels_off", "Labels and glue are off the windows"], ["solvent_dry", "The solvent has dried"]];
const STATES = { planned: "planned", lit: "the lamp is on", dark: "the lamp is off", unsure: "time not known", done: "done", abandoned: "given up" };

const tag = (word, shown = word) => make("span", { class: `tag ${TAGS[word] || ""}` }, shown.replaceAll("-", " "));
const button = (words, onclick, kind = "") => make("button", { type: "button", class: kind, onclick }, words);

export function drawList(exposures, show) {
  if (!exposures.length) return make("p", { class: "quiet" }, "No exposure is open. Plan one below.");
  return make("div", { class: "row field" }, exposures.map((each) => button(`${each.number}: ${each.chips.length} chips under ${each.lamp}`, () => show(each.id))));
}

export function drawExposure(exposure, check, acts) {
  const ended = exposure.ended_at !== null;
  return [
    make("div", { class: "row field" }, make("strong", {}, `Exposure ${exposure.number} under ${exposure.lamp}`), tag(exposure.state, STATES[exposure.state]),
      make("span", { class: "quiet small" }, `lit ${exposure.lit_s ? clockWords(exposure.lit_s) : "0:00"} so far`)),
    make("div", { id: "exposure-problem", role: "alert" }),
    exposure.question ? drawTimeQuestion(exposure.question, acts) : null,
    exposure.next_out_lit_s === null || ended || !exposure.next_out.length ? null : make("div", { class: "countdown" },
      make("span", { id: "countdown", class: "clock", role: "timer" }, clockWords(exposure.next_out_lit_s)),
      make("span", {}, `of light to go for place${exposure.next_out.length > 1 ? "s" : ""} ${exposure.next_out.join(", ")}`)),
    make("p", { class: "note", role: "status" }, exposure.advice),
    exposure.warnings.map((words) => make("p", { class: "note live" }, words)),
    ended || check?.state === "checking" ? null : drawLamp(exposure, acts),
    drawCheck(exposure, check, acts),
    make("div", { class: "scroll field" }, drawChips(exposure, acts, check?.state === "checking")),
    ended ? null : make("div", { class: "row" }, exposure.state === "dark" ? button("Finish: one erase cycle more", acts.finish) : null, button("Give this exposure up", acts.abandon, "stop")),
    make("details", { class: "cautions" }, make("summary", {}, "Cautions"), exposure.cautions.map((each) => make("p", { class: "small" }, each.text))),
  ];
}

function drawTimeQuestion(question, acts) {
  const minutes = make("input", { type: "number", min: "0", max: String(Math.floor(question.most_s / 60) + 1), step: "any", "aria-label": "Minutes that it was lit", class: "short" });
  return make("div", { class: "note bad", role: "alert" }, make("p", {}, question.words), make("div", { class: "row" }, minutes,
    button("minutes, and it is off now", () => acts.answer({ lit_s: 60 * Number(minutes.value) }), "main"), button("It was on all the time and still is", () => acts.answer({ still_lit: true }))));
}

function drawLamp(exposure, acts) {
  if (exposure.state === "lit") {
    const minutes = make("input", { type: "number", min: "0", step: "any", "aria-label": "Minutes, if a timer switched it off", placeholder: "minutes, by a timer", class: "short" });
    return make("div", { class: "row field" }, button("The lamp is off", () => acts.lampOff(minutes.value === "" ? {} : { lit_s: 60 * Number(minutes.value) }), "main"), minutes);
  }
  if (!["planned", "dark"].includes(exposure.state)) return null;
  const boxes = exposure.not_yet.length ? PREPARED.map(([name, words]) => [name, words, make("input", { type: "checkbox", id: `said-${name}` })]) : [];
  return make("div", { class: "field" },
    boxes.map(([, words, box]) => make("div", { class: "tick" }, box, make("label", { for: box.id }, words))),
    button("I have switched the lamp on, its box shut", () => acts.lampOn(Object.fromEntries(boxes.map(([name, , box]) => [name, box.checked]))), "main"));
}

function drawCheck(exposure, check, acts) {
  const open = check && ["checking", "paused"].includes(check.state);
  const may = ["planned", "dark"].includes(exposure.state) || (exposure.state === "lit" && exposure.chips.some((chip) => !chip.inside));
  if (!open && !may) return check ? make("p", { class: "note" }, check.advice) : null;
  if (!open) {
    return make("div", { class: "field" }, check ? make("p", { class: "note good" }, check.advice) : null,
      button(exposure.state === "planned" ? "Count the sentinels, with no key pressed" : "Check the chips, with no key pressed", acts.beginCheck));
  }
  return make("div", { class: `note ${check.state === "paused" ? "bad" : "live"}`, role: "alert" },
    make("div", { class: "row" }, make("strong", {}, `${check.checked} of ${check.chips.length} chips`), tag(check.state), make("progress", { "aria-label": "Chips that were looked at", max: check.chips.length, value: check.checked })),
    make("p", { class: "prompt" }, check.advice),
    make("div", { class: "row" }, check.state === "paused" ? button("Go on", acts.goOn, "main") : button("Pause", acts.pause), button("Give the check up", acts.giveUp, "stop")));
}

function drawChips(exposure, acts, busy) {
  const movable = exposure.state === "dark" && !busy;
  const heads = ["Place", "Part", "Where", "Light", "To go", "Bits left", "Found", ""];
  return make("table", {}, make("caption", { class: "quiet small" }, "Chips by their places; those marked count speak for the others"),
    make("thead", {}, make("tr", {}, heads.map((word) => make("th", { scope: "col" }, word)))),
    make("tbody", {}, exposure.chips.map((chip) => make("tr", { title: chip.problem || chip.rule },
      make("td", { class: "figure" }, String(chip.place), chip.sentinel ? " count" : ""), make("td", { class: "name" }, chip.label), make("td", {}, chip.inside ? "on the tray" : "out"),
      make("td", { class: "figure" }, chip.light_s >= 1 ? timeWords(chip.light_s) : ""), make("td", { class: "figure" }, toGo(chip)), make("td", { class: "figure" }, bits(chip)),
      make("td", {}, found(exposure.found, chip.place)),
      make("td", {}, make("div", { class: "row" }, movable ? (chip.inside ? button("Out", () => acts.move("take-out", chip.place)) : button("In", () => acts.move("put-in", chip.place))) : null,
        !busy && !exposure.ended_at && (["planned", "dark"].includes(exposure.state) || !chip.inside) ? button("Count", () => acts.count(chip)) : null))))));
}

const toGo = (chip) => (chip.remaining_lit_s === null ? "" : chip.remaining_lit_s ? timeWords(chip.remaining_lit_s) : "due");
const bits = (chip) => (chip.counts.length ? chip.counts.at(-1).bits_left.toLocaleString("en") : chip.bits_at_start === null ? "" : `${chip.bits_at_start.toLocaleString("en")} to erase`);
const found = (states, place) => (states?.[place] ? tag(states[place]) : null);
