// The task's program in the form that the engine reads: translate.mjs NODE_MODULES SOURCE OUT
import fs from "node:fs";
import { pathToFileURL } from "node:url";

const [modules, source, out] = process.argv.slice(2);
const load = (file) => import(pathToFileURL(`${modules}/@cqframework/cql/${file}`));
const { SystemModelInfoProvider } = await load("cql.mjs");
const { CqlTranslator, LibraryManager, ModelManager, createModelInfoProvider, stringAsSource } =
  await load("cql-to-elm.mjs");

const fhir = fs.readFileSync(`${modules}/cql-exec-fhir/lib/modelInfos/fhir-modelinfo-4.0.1.xml`, "utf8");
const models = new ModelManager();
models.modelInfoLoader.registerModelInfoProvider(new SystemModelInfoProvider());
models.modelInfoLoader.registerModelInfoProvider(
  createModelInfoProvider((id) => (id === "FHIR" ? stringAsSource(fhir) : null)),
);
const translated = CqlTranslator.fromText(fs.readFileSync(source, "utf8"), new LibraryManager(models));
const errors = translated.errors.asJsReadonlyArrayView();
for (const error of errors) console.error(error.message);
if (errors.length > 0) process.exit(1);
fs.writeFileSync(out, translated.toJson());
