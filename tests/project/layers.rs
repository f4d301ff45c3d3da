//! The order of layers that DEVELOPERS.md names, held against what the sources use.
//!
//! A module may use what stands before its own layer in that order, and inside a layer no circle
//! of files is allowed. Code for tests (`#[cfg(test)]`) is left out: it may use what it likes.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use syn::visit::Visit;
use syn::{Attribute, Item, ItemMod, UseTree};

/// A module's path, without `crate`.
type ModulePath = Vec<String>;

/// What a module defines, takes in, and uses anywhere in its code.
#[derive(Default)]
struct Module {
    items: BTreeSet<String>,
    /// Each name that a `use` brings in, with the absolute path of what it stands for.
    imports: BTreeMap<String, ModulePath>,
    /// The names of a `use` that only hands on (`pub use`).
    handed_on: BTreeSet<String>,
    /// Absolute paths from this crate.
    used: BTreeSet<ModulePath>,
}

struct Sources(BTreeMap<ModulePath, Module>);

fn is_for_tests(attributes: &[Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        attribute.path().is_ident("cfg")
            && attribute.parse_args::<syn::Ident>().is_ok_and(|name| name == "test")
    })
}

fn attributes_of(item: &Item) -> &[Attribute] {
    match item {
        Item::Mod(item) => &item.attrs,
        Item::Use(item) => &item.attrs,
        Item::Fn(item) => &item.attrs,
        Item::Impl(item) => &item.attrs,
        Item::Struct(item) => &item.attrs,
        Item::Enum(item) => &item.attrs,
        _ => &[],
    }
}

/// The absolute path of one that starts with `crate`, `self` or `super`, or with one of `names` of
/// the module `at`; none where it is of another crate.
fn absolute(path: &[String], at: &ModulePath, names: &BTreeSet<String>) -> Option<ModulePath> {
    let mut base = at.clone();
    let mut rest = path;
    match path.first()?.as_str() {
        "crate" => (base, rest) = (Vec::new(), &path[1..]),
        "self" => rest = &path[1..],
        "super" => {
            while rest.first().is_some_and(|part| part == "super") {
                base.pop();
                rest = &rest[1..];
            }
        }
        name if names.contains(name) => {}
        _ => return None,
    }
    Some(base.into_iter().chain(rest.iter().cloned()).collect())
}

/// The paths in a tree of `use`, each with the name that it brings in.
fn flatten(tree: &UseTree, before: &[String], into: &mut Vec<(String, ModulePath)>) {
    let longer = |name: &syn::Ident| {
        let mut path = before.to_vec();
        path.push(name.to_string());
        path
    };
    match tree {
        UseTree::Path(path) => flatten(&path.tree, &longer(&path.ident), into),
        UseTree::Name(name) if name.ident == "self" => {
            into.push((before.last().cloned().unwrap_or_default(), before.to_vec()));
        }
        UseTree::Name(name) => into.push((name.ident.to_string(), longer(&name.ident))),
        UseTree::Rename(name) => into.push((name.rename.to_string(), longer(&name.ident))),
        UseTree::Group(group) => group.items.iter().for_each(|tree| flatten(tree, before, into)),
        UseTree::Glob(_) => into.push(("*".into(), before.to_vec())),
    }
}

/// Collects the paths in the code of one file.
struct Paths<'a> {
    at: &'a ModulePath,
    children: &'a BTreeSet<String>,
    module: &'a mut Module,
}

impl<'ast> Visit<'ast> for Paths<'_> {
    fn visit_item(&mut self, item: &'ast Item) {
        if !is_for_tests(attributes_of(item)) {
            syn::visit::visit_item(self, item);
        }
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        let mut found = Vec::new();
        flatten(&item.tree, &[], &mut found);
        for (name, path) in found {
            if let Some(path) = absolute(&path, self.at, self.children) {
                if matches!(item.vis, syn::Visibility::Inherited) {
                    self.module.used.insert(path.clone());
                } else {
                    self.module.handed_on.insert(name.clone());
                }
                self.module.imports.insert(name, path);
            }
        }
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let parts: Vec<String> = path.segments.iter().map(|part| part.ident.to_string()).collect();
        if parts.len() > 1
            && let Some(path) = absolute(&parts, self.at, self.children)
        {
            self.module.used.insert(path);
        }
        syn::visit::visit_path(self, path);
    }
}

impl Sources {
    fn read(source: &Path) -> Sources {
        let mut sources = Sources(BTreeMap::new());
        sources.read_file(&source.join("lib.rs"), source, Vec::new());
        sources
    }

    fn read_file(&mut self, file: &Path, folder: &Path, at: ModulePath) {
        let text = fs::read_to_string(file).unwrap();
        let code = syn::parse_file(&text).unwrap_or_else(|error| panic!("{file:?}: {error}"));
        let mut module = Module::default();
        let mut children = BTreeSet::new();
        for item in code.items.iter().filter(|item| !is_for_tests(attributes_of(item))) {
            match item {
                Item::Mod(ItemMod { ident, content: None, .. }) => {
                    children.insert(ident.to_string());
                }
                Item::Fn(item) => drop(module.items.insert(item.sig.ident.to_string())),
                Item::Struct(item) => drop(module.items.insert(item.ident.to_string())),
                Item::Enum(item) => drop(module.items.insert(item.ident.to_string())),
                Item::Trait(item) => drop(module.items.insert(item.ident.to_string())),
                Item::Type(item) => drop(module.items.insert(item.ident.to_string())),
                Item::Const(item) => drop(module.items.insert(item.ident.to_string())),
                Item::Static(item) => drop(module.items.insert(item.ident.to_string())),
                _ => {}
            }
        }
        Paths { at: &at, children: &children, module: &mut module }.visit_file(&code);
        self.0.insert(at.clone(), module);
        for child in children {
            let mut path = at.clone();
            path.push(child.clone());
            let inner = folder.join(&child);
            let alone = folder.join(format!("{child}.rs"));
            let file = if alone.is_file() { alone } else { inner.join("mod.rs") };
            self.read_file(&file, &inner, path);
        }
    }

    /// The module that defines what a path names; re-exports are followed to their origin.
    fn origin(&self, path: &[String], depth: usize) -> Option<ModulePath> {
        assert!(depth < 20, "{path:?} leads in a circle");
        let mut at = Vec::new();
        for (place, part) in path.iter().enumerate() {
            let mut inner = at.clone();
            inner.push(part.clone());
            if self.0.contains_key(&inner) {
                at = inner;
                continue;
            }
            let module = &self.0[&at];
            if module.items.contains(part) {
                return Some(at);
            }
            let mut target = module.imports.get(part)?.clone();
            target.extend(path[place + 1..].iter().cloned());
            return self.origin(&target, depth + 1);
        }
        Some(at)
    }

    /// What each module uses: pairs of user and used, both files of their own.
    fn arrows(&self) -> BTreeMap<ModulePath, BTreeSet<ModulePath>> {
        let arrows = self.0.iter().map(|(at, module)| {
            let used = module.used.iter().filter_map(|path| self.origin(path, 0));
            (at.clone(), used.filter(|used| used != at && !used.is_empty()).collect())
        });
        arrows.collect()
    }
}

/// Every group of files that use each other in a circle (Tarjan's components, simply: those that
/// reach each other).
fn circles(arrows: &BTreeMap<ModulePath, BTreeSet<ModulePath>>) -> Vec<String> {
    let reached = |from: &ModulePath| {
        let mut seen = BTreeSet::new();
        let mut waiting = vec![from];
        while let Some(at) = waiting.pop() {
            for next in arrows.get(at).into_iter().flatten() {
                if seen.insert(next) {
                    waiting.push(next);
                }
            }
        }
        seen
    };
    let reach: BTreeMap<&ModulePath, BTreeSet<&ModulePath>> =
        arrows.keys().map(|module| (module, reached(module))).collect();
    let mut found = BTreeSet::new();
    for (&module, from) in &reach {
        if from.contains(module) {
            let together = from.iter().filter(|other| reach[*other].contains(module));
            let names: Vec<String> = together.map(|other| other.join("::")).collect();
            found.insert(names.join(" | "));
        }
    }
    found.into_iter().collect()
}

/// The layers as DEVELOPERS.md has them, lowest first: its one line of names with arrows between.
fn layers() -> Vec<String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md");
    let text = fs::read_to_string(path).unwrap();
    let line = text.lines().find(|line| line.starts_with("`wire` →")).expect("a line of layers");
    line.split('→').map(|name| name.trim().trim_matches('`').to_string()).collect()
}

fn sources() -> Sources {
    Sources::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"))
}

#[test]
fn each_layer_uses_only_those_below_it() {
    let order = layers();
    let sources = sources();
    let modules: BTreeSet<&String> = sources.0.keys().filter_map(|path| path.first()).collect();
    assert_eq!(modules, order.iter().collect(), "DEVELOPERS.md names each layer of src once");
    let height = |module: &ModulePath| order.iter().position(|name| *name == module[0]).unwrap();
    let mut upward = Vec::new();
    for (user, used) in sources.arrows().iter().filter(|(user, _)| !user.is_empty()) {
        let higher = used.iter().filter(|used| height(used) > height(user));
        upward.extend(higher.map(|used| format!("{} → {}", user.join("::"), used.join("::"))));
    }
    assert!(upward.is_empty(), "arrows back up:\n{}", upward.join("\n"));
}

#[test]
fn no_circle_of_files() {
    let found = circles(&sources().arrows());
    assert!(found.is_empty(), "circles:\n{}", found.join("\n"));
}

/// What belongs to the command line or to the machine stays out of the middle of the path.
#[test]
fn the_middle_is_without_clock_file_and_socket() {
    let order = layers();
    let middle = &order[..=order.iter().position(|name| name == "analysis").unwrap()];
    let forbidden = [
        "clap",
        "tokio",
        "std::fs",
        "std::net",
        "std::env",
        "std::process",
        "std::thread",
        "SystemTime",
        "Instant::",
        "socketcan",
        "nix::",
        "rand",
    ];
    let mut found = Vec::new();
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut waiting = vec![source.clone()];
    while let Some(folder) = waiting.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.strip_prefix(&source).unwrap().with_extension("");
            let layer = name.iter().next().unwrap().to_string_lossy().into_owned();
            if path.is_dir() {
                waiting.push(path);
            } else if middle.contains(&layer) || (layer != "cli" && path.extension().is_some()) {
                let here: &[&str] = if middle.contains(&layer) { &forbidden } else { &["clap"] };
                let text = fs::read_to_string(&path).unwrap();
                let code = text.split("#[cfg(test)]").next().unwrap_or_default();
                for line in code.lines().filter(|line| line.trim_start().starts_with("use ")) {
                    for what in here.iter().filter(|what| line.contains(&format!("use {what}"))) {
                        found.push(format!("{} uses {what}", name.display()));
                    }
                }
            }
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}
