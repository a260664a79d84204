//! Holds the code against the map: no crate uses one above it, and no modules of a crate or of the Python package use each
//! other in a circle.
//!
//! The rule for crates stands in one place, the last column of the map in `DEVELOPERS.md`; the drawing in
//! `docs/architecture.md` must have each crate above those it uses. A module is a file of `src` or a folder with all that
//! is in it. What only tests use does not count.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use crate::{Outcome, root};

const MAP: &str = "DEVELOPERS.md";
const DRAWING: &str = "docs/architecture.md";
const PACKAGE: &str = "bindings/python/python/coeval";

/// Which of our crates each uses, or which modules of its crate each module uses.
type Uses = BTreeMap<String, BTreeSet<String>>;

/// Fails with one line for each use that should not be.
pub(crate) fn check() -> Outcome {
    let root = root();
    let read = |path: &Path| std::fs::read_to_string(path).map_err(|e| format!("{}: {e}", path.display()));
    let mut used = Uses::new();
    let mut wrong = Vec::new();
    for folder in folders(&root.join("crates"))? {
        let name = folder.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if name != "xtask" {
            used.insert(name, ours_in(&read(&folder.join("Cargo.toml"))?));
        }
    }
    wrong.extend(upward(&used, &allowed(&read(&root.join(MAP))?)));
    wrong.extend(misdrawn(&used, &read(&root.join(DRAWING))?));
    let bindings = ["bindings/c", "bindings/python", "bindings/web"].map(|folder| root.join(folder));
    for folder in folders(&root.join("crates"))?.into_iter().chain(bindings) {
        let mut sources = BTreeMap::new();
        collect(&folder.join("src"), None, &mut sources)?;
        if let Some(circle) = circle(&module_uses(&sources)) {
            wrong.push(format!("{}: modules use each other in a circle: {}", folder.display(), circle.join(" -> ")));
        }
    }
    let mut sources = BTreeMap::new();
    for path in files(&root.join(PACKAGE))?.iter().filter(|p| p.extension().is_some_and(|e| e == "py")) {
        let name = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        sources.insert(name, read(path)?);
    }
    if let Some(circle) = circle(&python_uses(&sources)) {
        wrong.push(format!("{PACKAGE}: modules import each other in a circle: {}", circle.join(" -> ")));
    }
    if wrong.is_empty() { Ok(()) } else { Err(wrong.join("\n")) }
}

/// Which modules of a Python package each imports, at its start or within a function. What only types need does not
/// count.
fn python_uses(sources: &BTreeMap<String, String>) -> Uses {
    let of = |text: &str| {
        let mut for_types = false;
        let mut used = BTreeSet::new();
        for line in text.lines().filter(|l| !l.is_empty()) {
            for_types = line == "if TYPE_CHECKING:" || for_types && line.starts_with(' ');
            let Some(from) = line.trim_start().strip_prefix("from .").filter(|_| !for_types) else { continue };
            match from.strip_prefix(" import ") {
                Some(modules) => used.extend(modules.split(',').map(|m| word(m.trim()))),
                None => used.extend([word(from)]),
            }
        }
        used.into_iter().filter(|m| sources.contains_key(m)).collect()
    };
    sources.iter().map(|(name, text)| (name.clone(), of(text))).collect()
}

fn folders(of: &Path) -> Outcome<Vec<PathBuf>> {
    Ok(files(of)?.into_iter().filter(|p| p.is_dir()).collect())
}

/// What lies in a folder, in order.
fn files(folder: &Path) -> Outcome<Vec<PathBuf>> {
    let entries = std::fs::read_dir(folder).map_err(|e| format!("{}: {e}", folder.display()))?;
    let mut paths: Vec<PathBuf> = entries.flatten().map(|e| e.path()).collect();
    paths.sort();
    Ok(paths)
}

/// Our crates among the dependencies of a manifest, those for tests included: a circle through them cannot be published.
fn ours_in(manifest: &str) -> BTreeSet<String> {
    let mut in_dependencies = false;
    let mut found = BTreeSet::new();
    for line in manifest.lines() {
        if line.starts_with('[') {
            in_dependencies = line.trim_end().ends_with("dependencies]");
        } else if in_dependencies && (line.starts_with("coeval.") || line.starts_with("coeval-")) {
            found.extend(line.split(['.', ' ', '=']).next().map(str::to_owned));
        }
    }
    found
}

/// The map's rows of crates: which of ours each may use. `None`: all.
fn allowed(map: &str) -> BTreeMap<String, Option<BTreeSet<String>>> {
    let rows = map.lines().filter_map(|line| {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let name = cells.get(1)?.strip_prefix("`crates/")?.strip_suffix('`')?;
        let may = match *cells.get(3)? {
            "all" => None,
            "nothing of ours" => Some(BTreeSet::new()),
            words => Some(words.split(", ").map(full_name).collect()),
        };
        Some((name.to_owned(), may))
    });
    rows.collect()
}

fn full_name(word: &str) -> String {
    if word == "core" { "coeval".to_owned() } else { format!("coeval-{word}") }
}

fn upward(used: &Uses, allowed: &BTreeMap<String, Option<BTreeSet<String>>>) -> Vec<String> {
    let mut wrong = Vec::new();
    for (name, used) in used {
        match allowed.get(name) {
            None => wrong.push(format!("{name} has no row in the map of {MAP}")),
            Some(None) => {}
            Some(Some(may)) => {
                wrong.extend(
                    used.difference(may).map(|other| format!("{name} uses {other}, which {MAP} does not allow")),
                );
            }
        }
    }
    wrong
}

/// Crates that the drawing leaves out or has below one that they use.
fn misdrawn(used: &Uses, page: &str) -> Vec<String> {
    let drawing = page.split("```").nth(1).unwrap_or_default();
    let line = |name: &str| drawing.lines().position(|l| l.split_whitespace().any(|word| word == name));
    let mut wrong = Vec::new();
    for (name, used) in used {
        let Some(at) = line(name) else {
            wrong.push(format!("{name} is not in the drawing of {DRAWING}"));
            continue;
        };
        let above = used.iter().filter(|other| line(other).is_some_and(|below| below <= at));
        wrong.extend(above.map(|other| format!("{DRAWING} draws {name} below {other}, which it uses")));
    }
    wrong
}

/// The code of each module of a crate, without comments and tests.
fn collect(folder: &Path, module: Option<&str>, sources: &mut BTreeMap<String, String>) -> Outcome {
    for path in files(folder)? {
        let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        let name = module.unwrap_or(&stem);
        if path.is_dir() {
            collect(&path, Some(name), sources)?;
        } else if path.extension().is_some_and(|e| e == "rs") && stem != "main" && stem != "tests" {
            let text = std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))?;
            sources.entry(name.to_owned()).or_default().push_str(&code_of(&text));
        }
    }
    Ok(())
}

/// A file without comments, up to its tests.
fn code_of(text: &str) -> String {
    let tests = text.match_indices("#[cfg(test)]\n").find(|(at, mark)| {
        let next = text[at + mark.len()..].lines().next().unwrap_or_default();
        next.contains("mod ") && next.ends_with('{')
    });
    let code = &text[..tests.map_or(text.len(), |t| t.0)];
    code.lines().map(|line| line.split("//").next().unwrap_or_default()).collect::<Vec<_>>().join("\n")
}

/// Which modules of its crate each module names. What the root passes on from a module counts as that module's, what it
/// passes on from another crate as nobody's; what it defines itself counts as the root's, `lib`.
fn module_uses(sources: &BTreeMap<String, String>) -> Uses {
    let passed_on = sources.get("lib").map(|lib| named_after(lib, "use ")).unwrap_or_default();
    let owner = |name: &String| -> Option<String> {
        if sources.contains_key(name) {
            return Some(name.clone());
        }
        match passed_on.iter().find(|(_, item)| item == name) {
            Some((module, _)) => sources.contains_key(module).then(|| module.clone()),
            None => Some("lib".to_owned()),
        }
    };
    let mut uses = Uses::new();
    for (module, code) in sources {
        let mut used: BTreeSet<String> = firsts_after(code, "crate::").iter().filter_map(owner).collect();
        if module == "lib" {
            used.extend(sources.keys().filter(|other| code.contains(&format!("{other}::"))).cloned());
        }
        used.remove(module);
        uses.insert(module.clone(), used);
    }
    uses
}

/// The names that stand directly after `prefix`: `a` of `crate::a::b`, `a` and `b` of `crate::{a::c, b}`.
fn firsts_after(code: &str, prefix: &str) -> Vec<String> {
    code.split(prefix).skip(1).flat_map(|rest| list(rest).into_iter().map(|item| word(&item))).collect()
}

/// The pairs of module and item in `use module::item`, `use module::{item, other}` and `use module as item`.
fn named_after(code: &str, prefix: &str) -> Vec<(String, String)> {
    let of = |rest: &str| {
        let module = word(rest);
        let (path, renamed) = (rest[module.len()..].strip_prefix("::"), rest[module.len()..].strip_prefix(" as "));
        let items = path.map(list).or(renamed.map(|name| vec![word(name)])).unwrap_or_default();
        items.into_iter().map(move |item| (module.clone(), word(&item))).collect::<Vec<_>>()
    };
    code.split(prefix).skip(1).flat_map(of).collect()
}

fn word(text: &str) -> String {
    text.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect()
}

/// The items of a path's end: those within braces, or the one that stands there.
fn list(rest: &str) -> Vec<String> {
    let Some(inside) = rest.strip_prefix('{') else { return vec![word(rest)] };
    let (mut depth, mut items) = (0, vec![String::new()]);
    for c in inside.chars() {
        match c {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => items.push(String::new()),
            _ if depth == 0 => items.last_mut().into_iter().for_each(|item| item.push(c)),
            _ => {}
        }
    }
    items.into_iter().map(|item| item.trim().to_owned()).filter(|item| !item.is_empty()).collect()
}

/// A circle, from a module back to itself, if there is one.
fn circle(uses: &Uses) -> Option<Vec<String>> {
    fn back_to(goal: &str, way: &mut Vec<String>, seen: &mut BTreeSet<String>, uses: &Uses) -> bool {
        let at = way.last().cloned().unwrap_or_default();
        for next in uses.get(&at).into_iter().flatten() {
            if next == goal {
                way.push(next.clone());
                return true;
            }
            if seen.insert(next.clone()) {
                way.push(next.clone());
                if back_to(goal, way, seen, uses) {
                    return true;
                }
                way.pop();
            }
        }
        false
    }
    uses.keys().find_map(|start| {
        let mut way = vec![start.clone()];
        back_to(start, &mut way, &mut BTreeSet::new(), uses).then_some(way)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(words: &[&str]) -> BTreeSet<String> {
        words.iter().map(|w| (*w).to_owned()).collect()
    }

    #[test]
    fn the_workspace_is_as_the_map_says() {
        check().unwrap();
    }

    #[test]
    fn a_crate_that_uses_one_above_it_is_named() {
        let map = "| `crates/coeval` | the core | error |\n| `crates/coeval-cut` | cuts | core, shoot |\n";
        let manifest = "[package]\nname = \"coeval\"\n[dependencies]\ncoeval-error.workspace = true\n\
                        [dev-dependencies]\ncoeval-cut = { path = \"../coeval-cut\" }\nserde.workspace = true\n";
        let used = Uses::from([("coeval".to_owned(), ours_in(manifest))]);
        assert_eq!(used["coeval"], set(&["coeval-error", "coeval-cut"]));
        let wrong = upward(&used, &allowed(map));
        assert_eq!(wrong, ["coeval uses coeval-cut, which DEVELOPERS.md does not allow"]);
        let unknown = Uses::from([("coeval-new".to_owned(), set(&[]))]);
        assert!(upward(&unknown, &allowed(map))[0].contains("no row"));
    }

    #[test]
    fn a_drawing_that_is_upside_down_is_seen() {
        let used = Uses::from([("coeval-cut".to_owned(), set(&["coeval"])), ("coeval".to_owned(), set(&[]))]);
        assert_eq!(misdrawn(&used, "```\n coeval-cut |\n v\n coeval the core\n```"), [""; 0]);
        assert_eq!(misdrawn(&used, "```\n coeval\n v\n coeval-cut\n```").len(), 1);
        assert_eq!(misdrawn(&used, "```\n coeval\n```").len(), 1);
    }

    #[test]
    fn python_modules_that_import_each_other_are_found() {
        let uses = |b: &str| {
            let a = "from . import _n, b\nfrom .c import x\n";
            let c = "if TYPE_CHECKING:\n    from .a import T\n\nimport html\n";
            python_uses(&[("a", a), ("b", b), ("c", c)].map(|(name, text)| (name.to_owned(), text.to_owned())).into())
        };
        let straight = uses("from .c import y\n");
        assert_eq!((&straight["a"], &straight["c"]), (&set(&["b", "c"]), &set(&[])));
        assert_eq!(circle(&straight), None);
        let bent = uses("def f() -> None:\n    from .a import g\n");
        assert_eq!(circle(&bent).expect("a circle"), ["a", "b", "a"]);
    }

    #[test]
    fn modules_that_use_each_other_are_found() {
        let source = |pairs: &[(&str, &str)]| -> Uses {
            module_uses(&pairs.iter().map(|(name, text)| ((*name).to_owned(), code_of(text))).collect())
        };
        let straight = [
            ("lib", "mod a;\nmod b;\nmod c;\npub use c::{Thing, other};\npub use far as near;\nfn job() { a::go() }"),
            ("a", "use crate::b::{self, X};\nuse crate::{Thing, near::Y};\n// crate::a\n"),
            ("b", "use crate::{c::Thing, c};\n#[cfg(test)]\nmod tests {\n    use crate::a;\n}\n"),
            ("c", ""),
        ];
        let uses = source(&straight);
        assert_eq!((&uses["a"], &uses["b"], &uses["lib"]), (&set(&["b", "c"]), &set(&["c"]), &set(&["a", "c"])));
        assert_eq!(circle(&uses), None);
        // Two modules; and a module that needs what the root itself defines.
        for text in ["fn f() { crate::a::go() }", "use crate::job;"] {
            let mut bent = straight;
            bent[3].1 = text;
            let way = circle(&source(&bent)).expect(text);
            assert!(way.len() > 2 && way.first() == way.last(), "{way:?}");
        }
    }
}
