//! Which crate may know which: arrows point one way, and the pure crates know no runtime.

use std::collections::{HashMap, HashSet};

use anyhow::{Context, Result};
use cargo_metadata::{DependencyKind, Metadata, Node, Package, PackageId};

/// The arrows that are allowed between our crates, lowest first. Everyone may use the model.
const ARROWS: [(&str, &[&str]); 20] = [
    ("zonda-model", &[]),
    ("zonda-uncertainty", &["zonda-model"]),
    ("zonda-signal", &["zonda-uncertainty", "zonda-model"]),
    ("zonda-protocol", &["zonda-model"]),
    ("zonda-air", &["zonda-uncertainty", "zonda-model"]),
    ("zonda-evaluate", &["zonda-uncertainty", "zonda-model"]),
    ("zonda-proof", &["zonda-uncertainty", "zonda-model"]),
    (
        "zonda-draw",
        &["zonda-evaluate", "zonda-air", "zonda-model"],
    ),
    (
        "zonda-config",
        &[
            "zonda-signal",
            "zonda-protocol",
            "zonda-evaluate",
            "zonda-air",
            "zonda-model",
        ],
    ),
    (
        "zonda-lines",
        &["zonda-config", "zonda-protocol", "zonda-model"],
    ),
    ("zonda-store", &["zonda-model"]),
    (
        "zonda-assess",
        &[
            "zonda-store",
            "zonda-config",
            "zonda-signal",
            "zonda-evaluate",
            "zonda-proof",
            "zonda-air",
            "zonda-model",
        ],
    ),
    (
        "zonda-report",
        &[
            "zonda-assess",
            "zonda-store",
            "zonda-config",
            "zonda-draw",
            "zonda-evaluate",
            "zonda-air",
            "zonda-model",
        ],
    ),
    (
        "zonda-station",
        &[
            "zonda-lines",
            "zonda-store",
            "zonda-config",
            "zonda-signal",
            "zonda-evaluate",
            "zonda-proof",
            "zonda-air",
            "zonda-model",
        ],
    ),
    (
        "zonda-http",
        &[
            "zonda-station",
            "zonda-assess",
            "zonda-evaluate",
            "zonda-proof",
            "zonda-report",
            "zonda-lines",
            "zonda-store",
            "zonda-config",
            "zonda-evaluate",
            "zonda-model",
        ],
    ),
    ("zonda-rig", &["zonda-model"]),
    (
        "zonda",
        &[
            "zonda-http",
            "zonda-report",
            "zonda-assess",
            "zonda-station",
            "zonda-rig",
            "zonda-lines",
            "zonda-store",
            "zonda-config",
            "zonda-draw",
            "zonda-evaluate",
            "zonda-air",
            "zonda-signal",
            "zonda-model",
        ],
    ),
    // A program of its own: a document as JSON is all that it meets of ours.
    ("zonda-typeset", &[]),
    // The suites meet the program from outside: through its command line, its API and its files.
    ("zonda-tests", &[]),
    ("xtask", &["zonda-assess", "zonda-config", "zonda-model"]),
];

/// Crates without I/O, clock or async.
pub(crate) const PURE: [&str; 9] = [
    "zonda-model",
    "zonda-uncertainty",
    "zonda-signal",
    "zonda-protocol",
    "zonda-air",
    "zonda-evaluate",
    "zonda-draw",
    "zonda-proof",
    "zonda-config",
];

/// What a pure crate may not even know through others.
const IMPURE: [&str; 8] = [
    "tokio",
    "sqlx",
    "sqlx-core",
    "libsqlite3-sys",
    "axum",
    "hyper",
    "serialport",
    "nix",
];

/// The one crate that knows SQL.
const SQL_OWNER: &str = "zonda-store";

/// Complaints about dependencies that point the wrong way.
pub(crate) fn check(metadata: &Metadata) -> Result<Vec<String>> {
    let ours = metadata.workspace_packages();
    let names: HashSet<&str> = ours.iter().map(|package| package.name.as_str()).collect();
    let mut complaints = Vec::new();
    for package in &ours {
        complaints.extend(check_arrows(package, &names));
        complaints.extend(check_sql(package));
    }
    complaints.extend(check_pure(metadata, &ours)?);
    Ok(complaints)
}

fn check_arrows(package: &Package, ours: &HashSet<&str>) -> Vec<String> {
    let from = package.name.as_str();
    let Some((_, allowed)) = ARROWS.iter().find(|(name, _)| *name == from) else {
        return vec![format!(
            "{from} has no line in the table of arrows (xtask/src/tidy/arrows.rs); say what it may use"
        )];
    };
    package
        .dependencies
        .iter()
        .filter(|dependency| dependency.kind != DependencyKind::Development)
        .map(|dependency| dependency.name.as_str())
        .filter(|to| ours.contains(to) && !allowed.contains(to))
        .map(|to| {
            format!("{from} may not use {to}: arrows point one way (xtask/src/tidy/arrows.rs)")
        })
        .collect()
}

fn check_sql(package: &Package) -> Option<String> {
    let knows_sql = package
        .dependencies
        .iter()
        .any(|dependency| dependency.name == "sqlx" || dependency.name == "libsqlite3-sys");
    (knows_sql && package.name.as_str() != SQL_OWNER)
        .then(|| format!("{} depends on SQL; only {SQL_OWNER} may", package.name))
}

fn check_pure(metadata: &Metadata, ours: &[&Package]) -> Result<Vec<String>> {
    let resolve = metadata
        .resolve
        .as_ref()
        .context("`cargo metadata` gave no dependency graph")?;
    let nodes: HashMap<&PackageId, &Node> =
        resolve.nodes.iter().map(|node| (&node.id, node)).collect();
    let mut complaints = Vec::new();
    for package in ours {
        if !PURE.contains(&package.name.as_str()) {
            continue;
        }
        for id in reachable(&package.id, &nodes) {
            let name = metadata[id].name.as_str();
            if IMPURE.contains(&name) {
                complaints.push(format!(
                    "{} is a pure crate and reaches {name}; see `cargo tree -p {} -e normal -i {name}`",
                    package.name, package.name
                ));
            }
        }
    }
    Ok(complaints)
}

/// Every package that `start` needs to run.
fn reachable<'a>(
    start: &'a PackageId,
    nodes: &HashMap<&'a PackageId, &'a Node>,
) -> HashSet<&'a PackageId> {
    let mut seen = HashSet::new();
    let mut open = vec![start];
    while let Some(id) = open.pop() {
        let Some(node) = nodes.get(id) else { continue };
        for dependency in &node.deps {
            let is_normal = dependency
                .dep_kinds
                .iter()
                .any(|kind| kind.kind == DependencyKind::Normal);
            if is_normal && seen.insert(&dependency.pkg) {
                open.push(&dependency.pkg);
            }
        }
    }
    seen
}
