//! Who takes part, with which command, on which files.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::cells::Cells;
use crate::generate;

/// Stays that the measure engine is given: it is so slow that the whole is scaled from them.
pub const FEW: u64 = 24;
/// Threads for all that can have more than one.
const THREADS: &str = "2";

/// Where everything lies.
pub struct Places {
    /// Files that are made here.
    pub made: PathBuf,
    /// This folder: the site's files and the other programs.
    pub own: PathBuf,
    /// What `setup` fetched.
    pub outside: PathBuf,
}

/// Where a program tells its cells, and how.
#[derive(Clone)]
pub enum Told {
    Nothing,
    /// No cells of the task, but all outputs, in this folder.
    Outputs(PathBuf),
    Peer(PathBuf),
    Terce(PathBuf),
}

#[derive(Clone)]
pub struct Contestant {
    /// By which the goals and `--only` name it.
    pub name: &'static str,
    pub what: &'static str,
    pub runs: usize,
    pub command: Vec<String>,
    pub told: Told,
    pub stays: u64,
}

impl Contestant {
    pub fn cells(&self) -> Option<Result<Cells, String>> {
        match &self.told {
            Told::Nothing | Told::Outputs(_) => None,
            Told::Peer(file) => Some(Cells::of_peer(file)),
            Told::Terce(file) => Some(Cells::of_terce(file)),
        }
    }
}

impl Places {
    pub fn new() -> Places {
        let manifest = Path::new(env!("CARGO_MANIFEST_DIR"));
        let outside =
            std::env::var_os("TERCE_OUTSIDE").map_or(manifest.join("target/outside"), PathBuf::from);
        let target = Path::new(env!("CARGO_TARGET_TMPDIR")).parent().unwrap();
        let own = manifest.join("tests/bench/replay");
        Places { made: target.join("bench-replay"), own, outside: outside.join("replay-peers-1") }
    }

    /// The charting of `stays`, made if it is not there.
    pub fn charting(&self, stays: u64) -> PathBuf {
        let folder = self.made.join(format!("{stays}-stays"));
        if !folder.exists() {
            let procedures = generate::to_folder(stays, &folder).unwrap();
            println!("made the charting of {stays} stays: {procedures} Procedures");
        }
        folder
    }

    /// The same with the Procedures compressed.
    pub fn compressed(&self, charting: &Path) -> PathBuf {
        let folder = charting.with_file_name(format!("{}-zst", text(charting.file_name().unwrap().as_ref())));
        if folder.exists() {
            return folder;
        }
        let part = folder.with_extension("part");
        std::fs::create_dir_all(&part).unwrap();
        for kind in ["Patient", "Encounter", "Device", "DeviceUseStatement"] {
            let name = format!("{kind}.ndjson");
            std::fs::copy(charting.join(&name), part.join(&name)).unwrap();
        }
        let from = std::fs::File::open(charting.join("Procedure.ndjson")).unwrap();
        let to = std::fs::File::create(part.join("Procedure.ndjson.zst")).unwrap();
        zstd::stream::copy_encode(from, to, 3).unwrap();
        std::fs::rename(part, &folder).unwrap();
        folder
    }

    /// `terce replay` of `input` into a folder called `out`.
    pub fn terce(&self, protocol: &str, input: &str, out: &str) -> (Vec<String>, PathBuf) {
        let site = self.own.join("site");
        let out = self.made.join(out);
        let protocol = match protocol {
            "bench-task" => text(&site.join("PlanDefinition-bench-task.json")),
            shipped => shipped.to_owned(),
        };
        let map = text(&site.join("ConceptMap-rows.json"));
        let zone = generate::ZONE.name();
        let fixed = ["replay", "--protocol", &protocol, "--map", &map, "--zone", zone, "--threads", THREADS];
        let command = [env!("CARGO_BIN_EXE_terce")].into_iter().chain(fixed);
        (command.chain(["--out", &text(&out), input]).map(str::to_owned).collect(), out)
    }

    /// Fetches the other programs and makes ready what is not timed.
    pub fn prepare(&self) -> Result<(), String> {
        let root = self.outside.parent().unwrap();
        succeed(Command::new(self.own.join("setup")).env("TERCE_OUTSIDE", root))?;
        let translate = self.own.join("peers/translate.mjs");
        let files = [self.modules(), self.own.join("peers/task.cql"), self.program()];
        succeed(Command::new("node").arg(translate).args(files))
    }

    fn modules(&self) -> PathBuf {
        self.outside.join("node/node_modules")
    }

    fn program(&self) -> PathBuf {
        self.made.join("task.json")
    }

    fn python(&self, script: &str, arguments: &[&str]) -> Vec<String> {
        let path = format!("PYTHONPATH={}", text(&self.outside.join("python")));
        let script = text(&self.own.join("peers").join(script));
        let fixed = ["env".to_owned(), path, "python3".to_owned(), script];
        fixed.into_iter().chain(arguments.iter().map(|a| (*a).to_owned())).collect()
    }

    fn floor(
        &self,
        name: &'static str,
        what: &'static str,
        parser: &str,
        charting: &Path,
        runs: usize,
    ) -> Contestant {
        let exe = text(&std::env::current_exe().unwrap());
        let file = text(&charting.join("Procedure.ndjson"));
        let command = [exe, "parse".to_owned(), parser.to_owned(), file].into();
        Contestant { name, what, runs, command, told: Told::Nothing, stays: 0 }
    }

    /// All of them, on the charting of `stays`; the quick ones run `runs` times.
    pub fn contestants(&self, stays: u64, runs: usize) -> Vec<Contestant> {
        let (charting, few) = (self.charting(stays), self.charting(FEW));
        let folder = text(&charting);
        let mut all = vec![
            self.floor(
                "floor-serde",
                "the floor: parsed and no more, serde_json",
                "serde_json",
                &charting,
                runs,
            ),
            self.floor("floor-sonic", "the floor: parsed and no more, sonic-rs", "sonic-rs", &charting, runs),
        ];
        let mut terce = |name, what, protocol, input: &Path, runs| {
            let (command, out) = self.terce(protocol, &text(input), &format!("out-{name}"));
            let task = protocol == "bench-task";
            let told = if task { Told::Terce(out.join("tallies.csv")) } else { Told::Outputs(out) };
            all.push(Contestant { name, what, runs, command, told, stays });
        };
        let compressed = self.compressed(&charting);
        terce("terce-adult", "Terce: the adult protocol, all outputs", "adult", &charting, runs);
        terce("terce-zst", "Terce: the same, Procedures in .zst", "adult", &compressed, runs);
        terce("terce-task", "Terce: the task", "bench-task", &charting, runs);
        terce("terce-few", "Terce: the task for the engine's stays", "bench-task", &few, 1);
        let mut peer = |name: &'static str, what, runs, script, arguments: &[&str]| {
            let cells = self.made.join(name).with_extension("csv");
            let arguments: Vec<&str> = arguments.iter().copied().chain([cells.to_str().unwrap()]).collect();
            let command = self.python(script, &arguments);
            all.push(Contestant { name, what, runs, command, told: Told::Peer(cells), stays });
        };
        peer("duckdb", "DuckDB: typed columns and SQL", runs, "duck.py", &[&folder]);
        peer("polars", "Polars: scan_ndjson with schema", runs.min(3), "frames.py", &[&folder]);
        peer("python-msgspec", "Python: msgspec, typed", runs.min(3), "plain.py", &["msgspec", &folder]);
        peer("python-orjson", "Python: orjson", 1, "plain.py", &["orjson", &folder]);
        peer("python-json", "Python: json", 1, "plain.py", &["json", &folder]);
        peer("python-few", "Python: json, for the engine's stays", 1, "plain.py", &["json", &text(&few)]);
        let cells = self.made.join("cql.csv");
        let script = self.own.join("peers/engine.cjs");
        let files = [self.modules(), self.program(), few, cells.clone()];
        let command = ["node".to_owned(), text(&script)].into_iter().chain(files.iter().map(|f| text(f)));
        let what = "CQL engine on Node, scaled from few stays";
        all.push(Contestant {
            name: "cql",
            what,
            runs: 1,
            command: command.collect(),
            told: Told::Peer(cells),
            stays,
        });
        for contestant in all.iter_mut().filter(|c| ["terce-few", "python-few", "cql"].contains(&c.name)) {
            contestant.stays = FEW;
        }
        all
    }
}

pub fn text(path: &Path) -> String {
    path.to_str().unwrap().to_owned()
}

fn succeed(command: &mut Command) -> Result<(), String> {
    let output = command.stdin(Stdio::null()).output().map_err(|e| e.to_string())?;
    print!("{}", String::from_utf8_lossy(&output.stdout));
    let why = || String::from_utf8_lossy(&output.stderr).into_owned();
    output.status.success().then_some(()).ok_or_else(why)
}
