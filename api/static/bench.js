// The bench page: what is connected, one form to start a job, and the job as it goes.
import { batchesPart } from "./batches.js";
import { Problem, download, dropToken, follow, get, keepToken, newKey, post, takeToken, upload } from "./client.js";
import { fill, make, sizeWords, timeWords } from "./elements.js";
import { exposuresPart } from "./exposures.js";
import { drawJob, drawJobs, drawLook, drawProgrammers, problemNote } from "./views.js";

const KINDS = [
  ["program", "Program and verify"], ["blank-check", "Blank check"], ["verify", "Verify"], ["read", "Read"],
  ["identify", "Identify"], ["pin-check", "Pin check"], ["write", "Write, without checks before or after"], ["erase", "Erase electrically"],
];
const WITH_IMAGE = ["program", "verify", "write"];
const at = (id) => document.getElementById(id);
const state = { programmers: [], parts: [], images: [], shown: null, key: null };

// Fetching, each with its own part of the page

async function refreshProgrammers() {
  state.programmers = (await get("/v1/programmers")).programmers;
  fill(at("programmers"), drawProgrammers(state.programmers));
  const usable = state.programmers.filter((each) => ["ready", "busy"].includes(each.state));
  const chosen = at("programmer").value;
  fill(at("programmer"), usable.map((each) => make("option", { value: each.id, selected: each.id === chosen }, each.name || each.hardware || each.id)));
  at("programmer-field").hidden = usable.length < 2;
}

async function refreshParts() {
  state.parts = (await get("/v1/parts")).parts;
  fill(at("parts"), state.parts.map((part) => make("option", { value: part.id }, `${part.maker} ${part.name}, ${sizeWords(part.size_bytes)}`)));
  showPart();
}

async function refreshImages(chosen) {
  state.images = (await get("/v1/images")).images;
  const now = chosen || at("image").value;
  fill(at("image"), make("option", { value: "" }, state.images.length ? "choose…" : "none yet"),
    state.images.map((image) => make("option", { value: image.sha256, selected: image.sha256 === now }, `${image.name} (${sizeWords(image.size_bytes)}, CRC-32 ${image.facts.crc32})`)));
}

async function refreshJobs() {
  fill(at("jobs"), drawJobs((await get("/v1/jobs?limit=12")).jobs, showJob));
}

async function refreshShown() {
  if (state.shown) paintJob(await get(`/v1/jobs/${state.shown}`));
}

const exposures = exposuresPart(guarded, showJob);
const batches = batchesPart(guarded);
const refreshAll = () => Promise.all([refreshProgrammers(), refreshParts(), refreshImages(), refreshJobs(), refreshShown(), exposures.refresh(), batches.refresh()]);

// The form

function showPart() {
  const words = at("part").value.trim().toLowerCase();
  const names = (part) => [part.id, part.name, ...part.aliases].map((each) => each.toLowerCase());
  const found = words ? state.parts.filter((part) => names(part).includes(words)) : [];
  fill(at("part-facts"), found.length === 1
    ? `${found[0].maker} ${found[0].name}, ${found[0].package}, ${sizeWords(found[0].size_bytes)}, ${found[0].kind}`
    : found.length ? `Several parts are called so: ${found.map((part) => part.id).join(", ")}. Compare with the maker’s marking.` : "");
}

function showImageFacts(image) {
  fill(at("image-facts"), image ? `${sizeWords(image.size_bytes)}, CRC-32 ${image.facts.crc32}, checksum ${image.facts.byte_sum_16}. ${image.reason}` : "",
    (image?.warnings || []).map((words) => make("p", { class: "note live" }, words)));
}

async function takeFile() {
  const [file] = at("file").files;
  if (!file) return;
  fill(at("image-facts"), `Sending ${file.name}…`);
  await guarded("order-problem", async () => {
    const image = await upload(`/v1/images?name=${encodeURIComponent(file.name)}`, await file.arrayBuffer());
    await refreshImages(image.sha256);
    showImageFacts(image);
  }, () => showImageFacts(null));
}

function order() {
  const wanted = { kind: at("kind").value, part: at("part").value.trim() };
  if (!at("programmer-field").hidden) wanted.programmer = at("programmer").value;
  if (WITH_IMAGE.includes(wanted.kind)) wanted.image = at("image").value || null;
  return wanted;
}

async function lookFirst(event) {
  event.preventDefault();
  await guarded("order-problem", async () => {
    const wanted = order();
    fill(at("look-body"), drawLook(await post("/v1/jobs/preview", wanted)));
    state.order = wanted;
    state.key = newKey(); // one key for one look: pressing Start twice starts one job
    turnTo("look");
  });
}

async function start() {
  await guarded("look-body", async () => {
    const job = await post("/v1/jobs", state.order, { "Idempotency-Key": state.key });
    await showJob(job.id);
    await refreshJobs();
  });
}

// The job

function turnTo(name) {
  for (const each of ["look", "job"]) at(each).hidden = each !== name;
  if (name) at(`${name}-title`).focus();
}

async function showJob(id) {
  state.shown = id;
  await guarded("order-problem", async () => {
    await refreshShown();
    turnTo("job");
  });
}

function paintJob(job) {
  const act = (path, body, headers) => guarded("job-problem", async () => {
    const answer = await post(`/v1/jobs/${job.id}/${path}`, body, headers);
    if (answer.id !== job.id) await showJob(answer.id);
    else paintJob(answer);
  });
  at("job-title").textContent = `Job ${job.number}: ${KINDS.find(([kind]) => kind === job.kind)?.[1] || job.kind}`;
  fill(at("job-body"), drawJob(job, {
    cancel: () => act("cancel"),
    answer: (confirm) => act("answer", { confirm }),
    resume: () => act("continue", undefined, { "Idempotency-Key": newKey() }),
    save: () => guarded("job-problem", async () => save(await download(`/v1/jobs/${job.id}/content?format=raw`), `${job.part_id}.bin`)),
  }));
}

function paintProgress(data) {
  const bar = document.querySelector(`#job-body [data-step="${CSS.escape(data.step)}"] progress`);
  if (!bar || !data.total_bytes) return false;
  bar.max = data.total_bytes;
  bar.value = data.done_bytes;
  bar.hidden = false;
  const left = at("job-left");
  if (left && data.eta_s !== undefined) left.textContent = `about ${timeWords(data.eta_s)} left`;
  return true;
}

function save(blob, name) {
  const link = make("a", { href: URL.createObjectURL(blob), download: name });
  link.click();
  URL.revokeObjectURL(link.href);
}

// Events

let due = null;
const wanted = new Set();
function soon(...refreshes) {
  refreshes.forEach((each) => wanted.add(each));
  due ??= setTimeout(async () => {
    due = null;
    const now = [...wanted];
    wanted.clear();
    await guarded("order-problem", () => Promise.all(now.map((each) => each())));
  }, 60);
}

function onEvent(type, data) {
  if (type === "start" || type === "gap") return soon(refreshAll);
  if (batches.isMine(type)) {
    batches.open();
    return soon(batches.refresh);
  }
  if (exposures.isMine(type)) return soon(exposures.refresh);
  if (type === "job-progress") return data.job_id === state.shown && !paintProgress(data.data) ? soon(refreshShown) : undefined;
  if (data.job_id) {
    if (type === "job-question" || type === "job-state") soon(exposures.refresh);
    if (data.job_id === state.shown) soon(refreshShown);
    if (type !== "job-step") soon(refreshJobs, refreshProgrammers);
    return undefined;
  }
  return type.startsWith("image") ? soon(refreshImages) : soon(refreshProgrammers);
}

function onLine(up) {
  at("line").textContent = up ? "connected" : "no connection, trying again";
  at("line").className = up ? "tag good" : "tag bad";
}

// The door

async function guarded(place, work, onFailure = () => {}) {
  try {
    const box = at(place);
    if (box?.getAttribute("role") === "alert") fill(box);
    return await work();
  } catch (problem) {
    onFailure();
    if (problem.status === 401) return shut(problem);
    if (!(problem instanceof Problem)) throw problem;
    return at(place)?.append(problemNote(problem));
  }
}

function shut(problem) {
  dropToken();
  at("inside").hidden = true;
  at("door").hidden = false;
  at("door-problem").hidden = !problem;
  at("door-problem").textContent = problem ? `${problem.message} ${problem.hint || ""}` : "";
  at("line").textContent = "not connected";
  at("line").className = "tag";
  at("token").focus();
}

async function enter() {
  try {
    await get("/version");
  } catch (problem) {
    return shut(problem);
  }
  at("door").hidden = true;
  at("inside").hidden = false;
  return follow("/v1/events", onEvent, onLine).catch(shut);
}

fill(at("kind"), KINDS.map(([kind, words]) => make("option", { value: kind }, words)));
at("kind").addEventListener("change", () => { at("image-field").hidden = !WITH_IMAGE.includes(at("kind").value); });
at("part").addEventListener("input", showPart);
at("file").addEventListener("change", takeFile);
at("image").addEventListener("change", () => showImageFacts(state.images.find((image) => image.sha256 === at("image").value)));
at("order").addEventListener("submit", lookFirst);
at("start").addEventListener("click", start);
at("not-yet").addEventListener("click", () => { turnTo(null); at("part").focus(); });
at("door").addEventListener("submit", (event) => {
  event.preventDefault();
  keepToken(at("token").value);
  at("token").value = "";
  enter();
});

if (takeToken()) enter();
else shut(null);
