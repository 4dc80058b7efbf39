// The part of the bench page about trays under a UV lamp. Nothing is fetched before it is opened.
import { get, newKey, post } from "./client.js";
import { clockWords, fill, make } from "./elements.js";
import { drawExposure, drawList } from "./exposure_views.js";

const at = (id) => document.getElementById(id);
const state = { shown: null, exposure: null, fetchedAt: 0 };

// `guarded` shows what goes wrong at a place of the page; `showJob` shows a job that was started here.
export function exposuresPart(guarded, showJob) {
  const box = at("exposures");

  async function refresh() {
    if (!box.open) return;
    const [{ exposures }, { lamps }] = await Promise.all([get("/v1/exposures?open_only=true"), get("/v1/lamps")]);
    if (!state.shown && exposures.length) state.shown = exposures[0].id;
    fill(at("exposure-list"), drawList(exposures, show));
    const chosen = at("tray-lamp").value;
    fill(at("tray-lamp"), lamps.map((lamp) => make("option", { value: lamp.name, selected: lamp.name === chosen }, lamp.name)));
    at("tray").hidden = !lamps.length;
    at("no-lamps").hidden = lamps.length > 0;
    await refreshShown();
  }

  async function refreshShown() {
    if (!state.shown) return fill(at("exposure"));
    const exposure = await get(`/v1/exposures/${state.shown}`);
    const check = exposure.check_state ? await get(`/v1/exposures/${state.shown}/check`) : null;
    exposure.found = Object.fromEntries((check?.chips || []).filter((chip) => chip.state).map((chip) => [chip.place, chip.state]));
    Object.assign(state, { exposure, fetchedAt: Date.now() });
    return fill(at("exposure"), drawExposure(exposure, check, acts));
  }

  async function show(id) {
    state.shown = id;
    await guarded("exposure-list", refreshShown);
  }

  const say = (path, body) => guarded("exposure-problem", async () => {
    await post(`/v1/exposures/${state.shown}/${path}`, body);
    await refresh();
  });
  const acts = {
    lampOn: (prepared) => say("lamp-on", { prepared }),
    lampOff: (body) => say("lamp-off", body),
    answer: (body) => say("answer", body),
    move: (path, place) => say(path, { places: [place] }),
    finish: () => say("finish"),
    abandon: () => say("abandon"),
    beginCheck: () => say("check", {}),
    pause: () => say("check/pause"),
    goOn: () => say("check/continue", {}),
    giveUp: () => say("check/cancel"),
    count: (chip) => guarded("exposure-problem", async () => {
      const wanted = { kind: "erase-check", part: chip.part_id, light: { exposure: state.shown, place: chip.place }, await_chip: {} };
      await showJob((await post("/v1/jobs", wanted, { "Idempotency-Key": newKey() })).id);
    }),
  };

  async function plan(event) {
    event.preventDefault();
    await guarded("tray-problem", async () => {
      const chips = [{ part: at("tray-part").value.trim(), chips: Number(at("tray-chips").value) }];
      state.shown = (await post("/v1/exposures", { lamp: at("tray-lamp").value, chips })).id;
      await refresh();
    });
  }

  // Between two looks the page counts by itself; only the daemon knows whether the lamp was on.
  function tick() {
    const clock = at("countdown");
    if (!clock || state.exposure?.state !== "lit" || state.exposure.next_out_lit_s === null) return;
    const left = state.exposure.next_out_lit_s - (Date.now() - state.fetchedAt) / 1000;
    clock.textContent = clockWords(Math.max(0, left));
    clock.classList.toggle("over", left <= 0);
  }

  box.addEventListener("toggle", () => guarded("exposure-list", refresh));
  at("tray").addEventListener("submit", plan);
  setInterval(tick, 500);
  return { refresh, isMine: (type) => type.startsWith("exposure") || type === "tray-check" };
}
