// Draws the documentation from /openapi.json. Nothing is fetched from anywhere else.
import { fill, make, prose } from "./elements.js";

const VERBS = ["get", "head", "post", "put", "patch", "delete"];
let api;

function resolved(schema) {
  if (schema && schema.$ref) {
    const found = schema.$ref.split("/").slice(1).reduce((at, key) => at?.[key], api);
    return { ...found, ...Object.fromEntries(Object.entries(schema).filter(([key]) => key !== "$ref")), named: schema.$ref.split("/").pop() };
  }
  return schema || {};
}

function typeWords(schema) {
  if (!schema) return "anything";
  if (schema.$ref) return [make("a", { href: `#schema-${schema.$ref.split("/").pop()}` }, schema.$ref.split("/").pop())];
  if (schema.anyOf || schema.oneOf) return join((schema.anyOf || schema.oneOf).map(typeWords), " or ");
  if (schema.allOf) return join(schema.allOf.map(typeWords), " and ");
  if (schema.enum) return join(schema.enum.map((value) => [make("code", {}, JSON.stringify(value))]), ", ");
  if ("const" in schema) return [make("code", {}, JSON.stringify(schema.const))];
  if (schema.type === "array") return ["list of ", ...wrap(typeWords(schema.items))];
  if (schema.type === "object" && schema.additionalProperties) return ["object of ", ...wrap(typeWords(schema.additionalProperties === true ? null : schema.additionalProperties))];
  return [[schema.type || "anything", schema.format && `(${schema.format})`, limits(schema)].filter(Boolean).join(" ")];
}
const wrap = (words) => (Array.isArray(words) ? words : [words]);
const join = (lists, between) => lists.flatMap((words, index) => (index ? [between, ...wrap(words)] : wrap(words)));

function limits(schema) {
  const found = [];
  if (schema.minimum !== undefined) found.push(`≥ ${schema.minimum}`);
  if (schema.exclusiveMinimum !== undefined) found.push(`> ${schema.exclusiveMinimum}`);
  if (schema.maximum !== undefined && Number.isSafeInteger(Math.ceil(schema.maximum))) found.push(`≤ ${schema.maximum}`);
  if (schema.exclusiveMaximum !== undefined) found.push(`< ${schema.exclusiveMaximum}`);
  if (schema.minLength) found.push(`at least ${schema.minLength} characters`);
  if (schema.maxLength) found.push(`up to ${schema.maxLength} characters`);
  if (schema.pattern && !schema.pattern.includes("\\x")) found.push(`like ${schema.pattern}`); // not: "no control characters"
  return found.join(", ");
}

function fieldTable(caption, rows) {
  if (!rows.length) return null;
  return make("div", { class: "scroll" }, make("table", {},
    make("caption", { class: "quiet small" }, caption),
    make("thead", {}, make("tr", {}, ["Name", "Type", "Meaning"].map((word) => make("th", { scope: "col" }, word)))),
    make("tbody", {}, rows.map(({ name, schema, required, description }) => make("tr", {},
      make("td", { class: "name" }, name, required ? make("span", { title: "must be given" }, " *") : null),
      make("td", {}, typeWords(schema), schema?.default !== undefined && schema.default !== null ? [" · default ", make("code", {}, JSON.stringify(schema.default))] : null),
      make("td", {}, prose(description || schema?.description)))))));
}

function propertyRows(schema) {
  const whole = resolved(schema);
  return Object.entries(whole.properties || {}).map(([name, inner]) => ({ name, schema: inner, required: whole.required?.includes(name), description: inner.description }));
}

// A small example value: what a schema says by example, else its required fields.
function example(schema) {
  const whole = resolved(schema);
  if (whole.examples?.length) return whole.examples[0];
  if (whole.enum) return whole.enum[0];
  if (whole.anyOf) return example(whole.anyOf[0]);
  if (whole.type === "object") return Object.fromEntries((whole.required || []).map((name) => [name, example(whole.properties?.[name])]));
  return { string: "…", integer: 0, number: 0, boolean: true, array: [] }[whole.type] ?? null;
}

function curl(verb, path, operation) {
  const words = ["curl"];
  const body = operation.requestBody?.content || {};
  const streams = Object.values(operation.responses || {}).some((answer) => answer.content?.["text/event-stream"]);
  if (streams) words.push("-N");
  if (verb === "head") words.push("-I");
  else if (!["get", "post"].includes(verb) || (verb === "post" && !Object.keys(body).length)) words.push("-X", verb.toUpperCase());
  if (operation.security?.length !== 0) words.push("-H", '"Authorization: Bearer $TOKEN"');
  if (body["application/json"]) words.push("--json", `'${JSON.stringify(example(body["application/json"].schema))}'`);
  else if (body["application/octet-stream"]) words.push("-H", "'Content-Type: application/octet-stream'", "--data-binary", "@image.bin");
  const query = (operation.parameters || []).filter((each) => each.in === "query" && each.required).map((each) => `${each.name}=…`).join("&");
  words.push(`'${location.origin}${path}${query ? `?${query}` : ""}'`);
  return words.join(" ");
}

function answerRow([status, answer]) {
  const shapes = Object.entries(answer.content || {}).flatMap(([media, { schema }], index) => [index ? ", " : null, make("code", {}, media), schema ? [": ", ...wrap(typeWords(schema))] : null].flat());
  return make("tr", {}, make("td", { class: "name" }, status === "default" ? "errors" : status), make("td", {}, prose(answer.description), make("p", {}, shapes)));
}

function drawRoute(verb, path, operation) {
  const body = Object.entries(operation.requestBody?.content || {});
  return make("article", { class: "route", id: operation.operationId },
    make("h3", {}, make("span", { class: `verb ${verb}` }, verb.toUpperCase()), " ", path),
    prose(operation.description || operation.summary),
    make("pre", { tabindex: "0" }, curl(verb, path, operation)),
    fieldTable("Parameters (* must be given)", (operation.parameters || []).map((each) => ({ name: each.in === "header" ? `${each.name} (header)` : each.name, schema: each.schema, required: each.required, description: each.description }))),
    body.map(([media, { schema }]) => [make("p", { class: "quiet small" }, "Body: ", make("code", {}, media), " ", typeWords(schema)), fieldTable("Fields of the body (* must be given)", propertyRows(schema))]),
    make("div", { class: "scroll" }, make("table", {}, make("caption", { class: "quiet small" }, "Answers"), make("tbody", {}, Object.entries(operation.responses || {}).map(answerRow)))));
}

function drawSchema([name, schema]) {
  return make("article", { class: "route", id: `schema-${name}` },
    make("h3", {}, name),
    prose(schema.description),
    schema.enum ? make("p", {}, typeWords(schema)) : fieldTable("Fields (* always there, or must be given)", propertyRows(schema)));
}

function drawProblems(problems) {
  return make("div", { class: "scroll" }, make("table", {},
    make("thead", {}, make("tr", {}, ["Code", "Status", "Title"].map((word) => make("th", { scope: "col" }, word)))),
    make("tbody", {}, Object.entries(problems).map(([code, { status, title }]) => make("tr", { id: `problem-${code}` },
      make("td", { class: "name" }, code), make("td", {}, String(status)), make("td", {}, title))))));
}

// A path that may be broken before each of its slashes.
const breakable = (path) => path.split(/(?=\/)/).flatMap((piece) => [make("wbr"), piece]);

function draw() {
  const groups = new Map((api.tags || []).map((tag) => [tag.name, { words: tag.description, routes: [] }]));
  for (const [path, operations] of Object.entries(api.paths)) {
    for (const verb of VERBS.filter((each) => operations[each])) {
      const tag = operations[verb].tags?.[0] || "other";
      if (!groups.has(tag)) groups.set(tag, { words: "", routes: [] });
      groups.get(tag).routes.push([verb, path, operations[verb]]);
    }
  }
  const shown = [...groups].filter(([, { routes }]) => routes.length);
  fill(document.getElementById("contents"),
    shown.map(([tag, { routes }]) => [make("h2", {}, make("a", { href: `#tag-${tag}` }, tag)),
      make("ul", {}, routes.map(([verb, path, operation]) => make("li", {}, make("a", { href: `#${operation.operationId}` }, make("span", { class: `verb ${verb}` }, verb.toUpperCase()), make("span", {}, breakable(path))))))]),
    make("h2", {}, make("a", { href: "#problems" }, "problems")), make("h2", {}, make("a", { href: "#schemas" }, "schemas")));
  fill(document.getElementById("routes"),
    make("section", { class: "sheet" }, make("h2", {}, `${api.info.title} ${api.info.version}`), prose(api.info.description)),
    shown.map(([tag, { words, routes }]) => make("section", { class: "sheet", id: `tag-${tag}` }, make("h2", {}, tag), prose(words), routes.map((route) => drawRoute(...route)))),
    make("section", { class: "sheet", id: "problems" }, make("h2", {}, "problems"),
      prose("Every answer that is not a success is `application/problem+json` (RFC 9457) with one of these codes. A code never changes its meaning."), drawProblems(api["x-problems"] || {})),
    make("section", { class: "sheet", id: "schemas" }, make("h2", {}, "schemas"), Object.entries(api.components?.schemas || {}).map(drawSchema)));
  if (location.hash) document.getElementById(decodeURIComponent(location.hash.slice(1)))?.scrollIntoView();
}

try {
  const answer = await fetch("/openapi.json");
  if (!answer.ok) throw new Error(`the daemon answered ${answer.status}`);
  api = await answer.json();
  draw();
} catch (error) {
  document.getElementById("loading").textContent = `The description of the API could not be read: ${error.message}. Is the daemon running?`;
}
