// Evaluates the invariants and the required bindings of HL7's definitions of R4, and looks up the codes of its systems.
//
// Called by `run`: argv = folder of the tools, folder of the definitions; stdin = {name, text} a line; stdout = {name,
// what} a line for each problem. Structure is for another tool: an element that no definition has is passed over here.

import { createRequire } from "node:module";
import { existsSync, readFileSync } from "node:fs";
import { join } from "node:path";

const [tools, definitions] = process.argv.slice(2);
const require = createRequire(join(tools, "node_modules", "x.js"));
const fhirpath = require("fhirpath");
const model = require("fhirpath/fhir-context/r4");

// htmlChecks() is no function of FHIRPath's; resolve() has nothing to resolve with; dom-3 and ref-1 ask for both the
// resource and the element, which the project's own reader checks. The pattern of eld-19 is none that
// JavaScript reads, and definitions of types are not written here.
const BEYOND = /htmlChecks\(|resolve\(\)|%rootResource|conformsTo\(|memberOf\(/;
const SKIPPED = new Set(["dom-3", "ref-1", "eld-19"]);

const held = new Map();
function load(name) {
  if (!held.has(name)) {
    const path = join(definitions, `${name}.json`);
    held.set(name, existsSync(path) ? JSON.parse(readFileSync(path, "utf8")) : null);
  }
  return held.get(name);
}

const shapes = new Map();
// The elements of a type by the name under which they stand in JSON, each with its own elements below it.
function shape(type) {
  if (shapes.has(type)) return shapes.get(type);
  const found = load(`StructureDefinition-${type}`);
  if (!found) {
    shapes.set(type, null);
    return null;
  }
  const byPath = new Map();
  let root = null;
  for (const element of found.snapshot.element) {
    const node = { element, children: new Map(), type };
    byPath.set(element.path, node);
    const dot = element.path.lastIndexOf(".");
    if (dot < 0) {
      root = node;
      continue;
    }
    const parent = byPath.get(element.path.slice(0, dot));
    const name = element.path.slice(dot + 1);
    if (name.endsWith("[x]")) {
      for (const t of element.type) {
        const code = t.code;
        const typed = name.slice(0, -3) + code[0].toUpperCase() + code.slice(1);
        parent.children.set(typed, { ...node, only: code });
      }
    } else {
      parent.children.set(name, node);
    }
  }
  root.byPath = byPath;
  shapes.set(type, root);
  return root;
}

const compiled = new Map();
function evaluate(base, expression, value, resource) {
  const key = `${base}\n${expression}`;
  if (!compiled.has(key)) compiled.set(key, fhirpath.compile(base ? { base, expression } : expression, model));
  return compiled.get(key)(value, { resource, context: value });
}

const valueSets = new Map();
// system|code of a value set; null where it cannot be told from the definitions alone
function codesOf(url) {
  const [bare] = url.split("|");
  if (valueSets.has(bare)) return valueSets.get(bare);
  valueSets.set(bare, null);
  const found = load(`ValueSet-${bare.split("/").pop()}`);
  const out = new Set();
  const whole = found?.compose?.include?.every((include) => {
    if (include.filter || include.valueSet || !include.system) return false;
    const concepts = include.concept ?? load(`CodeSystem-${include.system.split("/").pop()}`)?.concept;
    if (!concepts) return false;
    const add = (c) => {
      out.add(c.code);
      out.add(`${include.system}|${c.code}`);
      (c.concept ?? []).forEach(add);
    };
    concepts.forEach(add);
    return true;
  });
  valueSets.set(bare, whole ? out : null);
  return valueSets.get(bare);
}

let report;
// stdout is for problems: the engine writes what an expression traces
console.log = () => {};

function constraints(element, value, base, where, resource) {
  for (const constraint of element.constraint ?? []) {
    const { key, expression, severity, human } = constraint;
    if (severity !== "error" || !expression || SKIPPED.has(key) || BEYOND.test(expression)) continue;
    let result;
    try {
      result = evaluate(base, expression, value, resource);
    } catch (error) {
      report(`${where}: ${key} cannot be evaluated: ${error.message}`);
      continue;
    }
    if (!(result.length === 0 || result[0] === true)) report(`${where}: ${key}: ${human}`);
  }
}

function bound(element, value, where) {
  if (element.binding?.strength !== "required" || !element.binding.valueSet) return;
  const codes = codesOf(element.binding.valueSet);
  if (!codes) return;
  const told = typeof value === "string" ? [value] : (value.coding ?? [value]).filter((c) => c.code).map((c) => `${c.system}|${c.code}`);
  if (told.length > 0 && !told.some((code) => codes.has(code))) {
    report(`${where}: ${told.join(", ")} is not in ${element.binding.valueSet}`);
  }
}

const codeSystems = new Map();
// The codes of a code system of HL7's own; null where the definitions do not list them all
function codesIn(system) {
  if (codeSystems.has(system)) return codeSystems.get(system);
  const found = load(`CodeSystem-${system.split("/").pop()}`);
  const out = new Set();
  const add = (c) => {
    out.add(c.code);
    (c.concept ?? []).forEach(add);
  };
  const whole = found?.url === system && found.content === "complete" && found.concept;
  if (whole) found.concept.forEach(add);
  codeSystems.set(system, whole ? out : null);
  return codeSystems.get(system);
}

// However weak the binding: a code that its system does not have means nothing.
function coded({ system, code }, where) {
  const codes = system && code ? codesIn(system) : null;
  if (codes && !codes.has(code)) report(`${where}: ${code} is no code of ${system}`);
}

function walk(node, value, base, where, resource) {
  for (const [name, given] of Object.entries(value)) {
    const child = node.children.get(name);
    if (!child) continue;
    const many = Array.isArray(given) ? given : [given];
    many.forEach((item, index) => {
      if (item === null || item === undefined) return;
      const at = Array.isArray(given) ? `${where}.${name}[${index}]` : `${where}.${name}`;
      one(child, item, at, resource);
    });
  }
}

function one(child, item, where, resource) {
  const { element } = child;
  const type = child.only ?? element.type?.[0]?.code;
  if (type === "Resource") return whole(item, where);
  bound(element, item, where);
  if (typeof item !== "object") return;
  if (type === "Coding") coded(item, where);
  if (element.contentReference) {
    const target = shape(child.type).byPath.get(element.contentReference.slice(1));
    constraints(element, item, target.element.path, where, resource);
    return walk(target, item, target.element.path, where, resource);
  }
  const inner = type && !["BackboneElement", "Element"].includes(type) ? shape(type) : null;
  if (inner) {
    constraints(element, item, type, where, resource);
    constraints(inner.element, item, type, where, resource);
    walk(inner, item, type, where, resource);
  } else {
    constraints(element, item, element.path, where, resource);
    walk(child, item, element.path, where, resource);
  }
}

function whole(resource, where) {
  const root = shape(resource.resourceType);
  if (!root) return report(`${where}: ${resource.resourceType} is no type of R4`);
  constraints(root.element, resource, null, where, resource);
  walk(root, resource, null, where, resource);
}

for (const line of readFileSync(0, "utf8").split("\n").filter(Boolean)) {
  const { name, text } = JSON.parse(line);
  report = (what) => process.stdout.write(`${JSON.stringify({ name, what })}\n`);
  const resource = JSON.parse(text);
  whole(resource, resource.resourceType);
}
