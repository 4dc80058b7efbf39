// Draws what the daemon tells; knows nothing of how it is fetched.
import { make, sizeWords, timeWords } from "./elements.js";

const ENDED = ["succeeded", "failed", "cancelled", "interrupted"];
const CONTINUABLE = ["failed", "cancelled", "interrupted"];
const TAGS = { ready: "good", succeeded: "good", passed: "good", done: "good", busy: "live", running: "live", waiting: "live", connecting: "live", lost: "bad", refused: "bad", failed: "bad", interrupted: "bad", cancelled: "bad" };

const tag = (word) => make("span", { class: `tag ${TAGS[word] || ""}` }, word.replace("-", " "));
const facts = (pairs) => make("dl", { class: "facts" }, pairs.filter(([, value]) => value !== "" && value !== null && value !== undefined).flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]));
const volts = (value) => `${value} V`;

export function problemNote(problem) {
  return make("div", { class: "note bad" }, make("p", {}, problem.detail || problem.message), problem.hint ? make("p", {}, problem.hint) : null);
}

export function drawProgrammers(programmers) {
  if (!programmers.length) return make("p", { class: "quiet" }, "None is connected. Plug one in, or start a simulated one with ", make("code", {}, "romwright simulate"), ".");
  return programmers.map((each) => make("div", { class: "field" },
    make("div", { class: "row" }, make("strong", {}, each.name || each.hardware || each.id), tag(each.state), make("span", { class: "quiet small" }, each.path)),
    each.problem ? problemNote(each.problem) : null,
    each.lease ? make("p", { class: "note live" }, `Leased to ${each.lease.holder} for ${timeWords(each.lease.expires_in_s)}.`) : null,
    each.supplies.length ? make("p", { class: "small quiet" }, each.supplies.join(" · ")) : null));
}

export function drawLook(look) {
  const high = look.pins.filter((pin) => pin.high_voltages.length);
  return [
    make("p", {}, "Compare this with the marking on the chip. Insert the chip now, with pin 1 as marked on the socket."),
    facts([
      ["Part", `${look.maker} ${look.part_name}, ${look.package}`],
      ["VCC", `${volts(look.vcc_read_v)} to read${look.vcc_program_v ? `, ${volts(look.vcc_program_v)} to program` : ""}`],
      ["VPP", look.vpp_program_v ? volts(look.vpp_program_v) : ""],
      ["ID voltage", look.id_v ? volts(look.id_v) : ""],
      ["Pulse", look.pulse_us ? `${look.pulse_us} µs, up to ${look.max_pulses} a word` : ""],
      ["Checked at", look.supply_checks_v.map(volts).join(", ")],
      ["Content", look.image_bytes ? sizeWords(look.image_bytes) : ""],
      ["Time", `about ${timeWords(look.estimate.total_s)}`],
      ["Data sheet", look.datasheet],
    ]),
    look.confidence === "memory" ? make("p", { class: "note live" }, "Some of these values are recalled, not read from a data sheet: compare with one first.") : null,
    high.length ? make("div", { class: "scroll" }, make("table", {}, make("caption", { class: "quiet small" }, "Pins that get more than VCC"),
      make("thead", {}, make("tr", {}, ["Pin", "Signal", "Socket", "When"].map((word) => make("th", { scope: "col" }, word)))),
      make("tbody", {}, high.map((pin) => make("tr", {}, make("td", {}, String(pin.pin)), make("td", { class: "name" }, pin.signal), make("td", {}, String(pin.socket_pin)), make("td", {}, pin.high_voltages.join(", "))))))) : null,
    [...look.notes, ...look.fit_notes, ...look.limits].map((words) => make("p", { class: "note" }, words)),
  ];
}

export function drawJob(job, acts) {
  const ended = ENDED.includes(job.state);
  return [
    make("div", { class: "row field" }, tag(job.state), make("span", { class: "quiet small" }, job.part_id || ""),
      make("span", { id: "job-left", class: "quiet small" }, ended || !job.estimate ? "" : `about ${timeWords(job.estimate.total_s)} in all`)),
    make("div", { id: "job-problem", role: "alert" }),
    job.question ? drawQuestion(job.question, acts.answer) : null,
    make("ol", { class: "steps" }, job.steps.map(drawStep)),
    make("div", { role: "status" }, job.outcome ? drawOutcome(job) : null),
    make("div", { class: "row" },
      ended ? null : make("button", { type: "button", class: "stop", onclick: acts.cancel }, "Cancel"),
      CONTINUABLE.includes(job.state) ? make("button", { type: "button", onclick: acts.resume }, "Continue: look at the chip, then go on") : null,
      job.outcome?.numbers.content_sha256 ? make("button", { type: "button", class: "main", onclick: acts.save }, "Save what was read") : null),
  ];
}

function drawStep(step) {
  const measured = step.total_bytes > 0;
  return make("li", { "data-step": step.name },
    make("div", { class: "row" }, make("span", {}, step.title), tag(step.state)),
    make("progress", { "aria-label": `${step.title}: progress`, max: measured ? step.total_bytes : 1, value: measured ? step.done_bytes : 0, hidden: step.state !== "running" || !measured }),
    step.result?.words ? make("div", { class: "small quiet" }, step.result.words) : null);
}

function drawQuestion(question, answer) {
  return make("div", { class: "note live", role: "alert" }, make("p", {}, question.words),
    make("div", { class: "row" }, make("button", { type: "button", class: "main", onclick: () => answer(true) }, "Done, go on"), make("button", { type: "button", onclick: () => answer(false) }, "Give up")));
}

function drawOutcome({ outcome, state }) {
  return [
    make("div", { class: `note ${state === "succeeded" ? "good" : "bad"}` }, make("p", {}, make("strong", {}, outcome.summary)), outcome.hint ? make("p", {}, outcome.hint) : null),
    outcome.checks.length ? make("div", { class: "scroll" }, make("table", {}, make("caption", { class: "quiet small" }, "What was checked"),
      make("thead", {}, make("tr", {}, ["Check", "VCC", "Verdict", "Seen"].map((word) => make("th", { scope: "col" }, word)))),
      make("tbody", {}, outcome.checks.map((check) => make("tr", {}, make("td", {}, check.title), make("td", { class: "figure" }, check.vcc_v === null ? "" : volts(check.vcc_v)), make("td", {}, tag(check.verdict)), make("td", {}, check.words)))))) : null,
  ];
}

export function drawJobs(jobs, show) {
  if (!jobs.length) return make("p", { class: "quiet" }, "None yet.");
  return make("table", {}, make("thead", {}, make("tr", {}, ["Job", "What", "Part", "State", "Outcome"].map((word) => make("th", { scope: "col" }, word)))),
    make("tbody", {}, jobs.map((job) => make("tr", {},
      make("td", {}, make("button", { type: "button", "aria-label": `Show job ${job.number}`, onclick: () => show(job.id) }, String(job.number))),
      make("td", {}, job.kind), make("td", { class: "name" }, job.part_id || ""), make("td", {}, tag(job.state)), make("td", {}, job.outcome?.summary || "")))));
}
