// Talks to the daemon that served this page. The token lives in this tab and goes only into the header.

const KEPT = "romwright-token";

export class Problem extends Error {
  constructor(problem) {
    super(problem.detail || problem.title || "The bench gave no reason.");
    Object.assign(this, problem);
  }
}

export function takeToken() {
  const given = new URLSearchParams(location.hash.slice(1)).get("token");
  if (given) {
    sessionStorage.setItem(KEPT, given);
    history.replaceState(null, "", location.pathname); // out of the address bar and the history
  }
  return sessionStorage.getItem(KEPT);
}

export const keepToken = (token) => sessionStorage.setItem(KEPT, token.trim());
export const dropToken = () => sessionStorage.removeItem(KEPT);

async function ask(method, path, { body, bytes, headers = {}, signal } = {}) {
  const all = { Authorization: `Bearer ${sessionStorage.getItem(KEPT) || ""}`, ...headers };
  if (body !== undefined) all["Content-Type"] = "application/json";
  if (bytes !== undefined) all["Content-Type"] = "application/octet-stream";
  let answer;
  try {
    answer = await fetch(path, { method, headers: all, body: bytes ?? (body === undefined ? undefined : JSON.stringify(body)), signal });
  } catch (error) {
    if (signal?.aborted) throw error;
    throw new Problem({ code: "no-answer", detail: "The daemon does not answer.", hint: "See whether it still runs." });
  }
  if (!answer.ok) throw new Problem(await answer.json().catch(() => ({ status: answer.status, detail: `The daemon answered ${answer.status}.` })));
  return answer;
}

export const get = async (path) => (await ask("GET", path)).json();
export const post = async (path, body, headers) => (await ask("POST", path, { body, headers })).json();
export const upload = async (path, bytes) => (await ask("POST", path, { bytes })).json();
export const download = async (path) => (await ask("GET", path)).blob();

// A key for a request that must not be done twice, however often it is sent.
export const newKey = () => Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");

// Calls onEvent(type, data, id) for every event from now on, across lost connections; ends only with a problem
// that trying again will not cure.
export async function follow(path, onEvent, onLine) {
  let lastId = null;
  let pause = 500;
  for (;;) {
    try {
      const answer = await ask("GET", path, { headers: lastId === null ? {} : { "Last-Event-ID": lastId } });
      onLine(true);
      pause = 500;
      const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
      let waiting = "";
      for (let piece = await reader.read(); !piece.done; piece = await reader.read()) {
        const blocks = (waiting + piece.value).split("\n\n");
        waiting = blocks.pop();
        for (const block of blocks) {
          const event = read(block);
          if (event.id !== undefined) lastId = event.id;
          if (event.data !== undefined) onEvent(event.event, JSON.parse(event.data), event.id);
        }
      }
    } catch (problem) {
      if (problem.status === 401 || problem.status === 403) throw problem;
    }
    onLine(false);
    await new Promise((resume) => setTimeout(resume, pause));
    pause = Math.min(pause * 2, 8000);
  }
}

function read(block) {
  const found = {};
  for (const line of block.split("\n")) {
    const colon = line.indexOf(":");
    if (colon > 0) found[line.slice(0, colon)] = line.slice(colon + 1).replace(/^ /, "");
  }
  return found;
}
