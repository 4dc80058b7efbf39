// The part of the bench page about batches: one large instruction, the count, the last result. Nothing is
// fetched before it is opened; it opens by itself when a batch speaks.
import { fill, make, timeWords } from "./elements.js";
import { get, newKey, post } from "./client.js";

const at = (id) => document.getElementById(id);
const OVER = ["finished", "ended"];
const TONES = {
  "put-in": "go", "put-in-again": "go", "put-back": "mind", "sits-badly": "mind", reseat: "mind", question: "mind",
  paused: "mind", ended: "mind", working: "work", looking: "work", starting: "work", "take-out-good": "good", label: "good",
  finished: "good", "take-out-reject": "bad", "take-out-re-expose": "bad", "take-out-set-aside": "mind", "no-programmer": "bad",
};
const SAID = {
  good: "good", already: "good, programmed before", reject: "bad, to the reject pile", "re-expose": "not erased, to the pile for the lamp",
  "set-aside": "set aside", unfinished: "not finished",
};
const state = { shown: null, key: newKey(), boards: [] };

// `guarded` shows what goes wrong at a place of the page.
export function batchesPart(guarded) {
  const box = at("batches");

  async function refresh() {
    if (!box.open) return;
    const { batches } = await get("/v1/batches?limit=8");
    const open = batches.find((batch) => !OVER.includes(batch.state));
    if (!state.shown) state.shown = (open || batches[0])?.id || null;
    fill(at("batch-list"), batches.length > 1 ? drawList(batches) : null);
    const shown = batches.find((batch) => batch.id === state.shown);
    if (shown) fill(at("batch"), drawBatch(shown));
    await refreshBoards();
  }

  async function refreshBoards() {
    if (at("batch-board").options.length) return;
    const { boards } = await get("/v1/boards");
    state.boards = boards.filter((board) => !board.problem);
    fill(at("batch-board"), state.boards.map((board) => make("option", { value: board.id }, board.name)));
    await refreshSources();
  }

  // A demo board has its own files; any other needs an image for each.
  async function refreshSources() {
    const board = state.boards.find((each) => each.id === at("batch-board").value);
    const { images } = board && !board.demo ? await get("/v1/images") : { images: [] };
    fill(at("batch-sources"), (board && !board.demo ? board.sources : []).map((source) => make("div", { class: "field" },
      make("label", { for: `batch-source-${source.name}` }, `Image for ${source.file || source.name}`),
      make("select", { id: `batch-source-${source.name}`, "data-source": source.name, required: true },
        make("option", { value: "" }, images.length ? "choose…" : "none yet: upload it above"),
        images.map((image) => make("option", { value: image.sha256 }, `${image.name} (CRC-32 ${image.facts.crc32})`))))));
  }

  const act = (batch, name) => guarded("batch-problem", async () => {
    await post(`/v1/batches/${batch.id}/acts`, { act: name });
    await refresh();
  });

  function drawList(batches) {
    return make("div", { class: "row field" }, batches.map((batch) => make("button", {
      type: "button", class: batch.id === state.shown ? "main" : "", "aria-pressed": String(batch.id === state.shown),
      onclick: () => { state.shown = batch.id; guarded("batch-problem", refresh); },
    }, `${batch.number}: ${batch.board_name}, ${batch.state}`)));
  }

  function drawBatch(batch) {
    const now = batch.instruction;
    return [
      make("h3", {}, `Batch ${batch.number}: ${batch.sets} × ${batch.board_name}`),
      make("div", { class: `order-now ${TONES[now.code] || "work"}`, role: "status", "aria-live": "assertive" }, now.words),
      now.detail ? make("p", {}, now.detail) : null,
      make("progress", { max: batch.total, value: batch.made, "aria-label": "Chips made" }),
      make("p", {}, countWords(batch)),
      batch.last ? make("p", { class: `note ${batch.last.good ? "good" : "bad"}` }, lastWords(batch.last)) : null,
      make("div", { class: "row" }, buttons(batch).map(([name, words, kind]) =>
        make("button", { type: "button", class: kind || "", onclick: () => act(batch, name) }, words))),
      drawResults(batch),
    ];
  }

  function buttons(batch) {
    const code = batch.instruction.code;
    if (OVER.includes(batch.state)) return [];
    const offered = [];
    if (code === "label") offered.push(["label-on", "The label is on", "main"]);
    if (code === "question") offered.push(["yes", "Done as asked", "main"], ["no", "No"]);
    if (batch.phase === "put-in") offered.push(["chip-in", "The chip is in"]);
    if (batch.phase === "put-in" && !code.startsWith("take-out")) offered.push(["reject", "Throw this chip out"]);
    if (batch.last?.countable) offered.push(["count", "It is another chip: count it"]);
    offered.push(batch.state === "paused" ? ["resume", "Go on", "main"] : ["pause", "Pause"], ["end", "End", "stop"]);
    return offered;
  }

  async function start(event) {
    event.preventDefault();
    await guarded("batch-start-problem", async () => {
      const wanted = {
        board: at("batch-board").value, sets: Number(at("batch-sets").value), first_set: Number(at("batch-first").value),
        policy: { labels: at("batch-labels").value },
        sources: Object.fromEntries([...at("batch-sources").querySelectorAll("select")].map((each) => [each.dataset.source, each.value])),
      };
      const batch = await post("/v1/batches", wanted, { "Idempotency-Key": state.key });
      Object.assign(state, { shown: batch.id, key: newKey() });
      await refresh();
    });
  }

  box.addEventListener("toggle", () => guarded("batch-problem", refresh));
  at("batch-start").addEventListener("submit", start);
  at("batch-board").addEventListener("change", () => guarded("batch-start-problem", refreshSources));
  return {
    refresh,
    isMine: (type) => type === "batch-state" || type === "batch-chip",
    open: () => { box.open = true; },
  };
}

function countWords(batch) {
  const words = [`${batch.made} of ${batch.total} made`];
  for (const [name, said] of [["reject", "rejected"], ["re-expose", "for the lamp"], ["set-aside", "set aside"]]) {
    if (batch.counts[name]) words.push(`${batch.counts[name]} ${said}`);
  }
  if (batch.results.remaining_s) words.push(`about ${timeWords(batch.results.remaining_s)} left`);
  return `${words.join(", ")}.`;
}

function lastWords(chip) {
  const said = `Last: ${chip.position}, set ${chip.set_number}: ${SAID[chip.verdict] || chip.verdict}`;
  return chip.good ? `${said}.` : `${said}: ${chip.words}`;
}

function drawResults(batch) {
  const found = batch.results;
  const causes = (counts) => Object.entries(counts).map(([cause, count]) => `${count} ${cause}`).join(", ");
  const rows = [
    ["Sets complete", `${found.sets_complete} of ${batch.sets}`],
    ["Yield", found.yield_share === null ? "" : `${Math.round(found.yield_share * 100)} %`],
    ["Per chip", found.work_s === null ? "" : `${timeWords(found.work_s)} on the programmer, ${timeWords(found.chip_s)} with hands`],
    ["Failed", causes(found.failed_by_cause)],
    ["Set aside", causes(found.set_aside_by_cause)],
    ["Still to be made", found.remaining.map((each) => `${each.position} of ${setWords(each.sets)}`).join("; ")],
  ].filter(([, value]) => value);
  return make("dl", { class: "facts" }, rows.flatMap(([name, value]) => [make("dt", {}, name), make("dd", {}, value)]));
}

// Numbers that follow each other are one range: sets 1, 3 to 20.
function setWords(numbers) {
  const ranges = [];
  for (const number of numbers) {
    const last = ranges.at(-1);
    if (last && last[1] === number - 1) last[1] = number;
    else ranges.push([number, number]);
  }
  const words = ranges.map(([first, last]) => (first === last ? `${first}` : `${first} to ${last}`)).join(", ");
  return `${numbers.length > 1 ? "sets" : "set"} ${words}`;
}
