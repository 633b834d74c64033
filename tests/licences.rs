//! Dependencies: their licences are those that `deny.toml` allows, all come from crates.io with a checksum, and none
//! is asked for in just any version. Offline: cargo's own metadata and `Cargo.lock` are read.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::Command;

const REGISTRY: &str = "registry+https://github.com/rust-lang/crates.io-index";

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// The strings of the list `allow` in `deny.toml`.
fn allowed() -> Vec<String> {
    let text = fs::read_to_string(root().join("deny.toml")).unwrap();
    let list = text.split_once("\nallow = [").unwrap().1.split_once(']').unwrap().0;
    list.split('"').skip(1).step_by(2).map(str::to_owned).collect()
}

/// Whether a licence in SPDX form can be met with those allowed. `AND` binds more than `OR`; an old `/` is an `OR`.
fn is_met(expression: &str, allowed: &[String]) -> bool {
    let spaced = expression.replace('(', " ( ").replace(')', " ) ").replace('/', " OR ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let mut at = 0;
    either(&words, &mut at, allowed) && at == words.len()
}

fn either(words: &[&str], at: &mut usize, allowed: &[String]) -> bool {
    let mut met = both(words, at, allowed);
    while words.get(*at) == Some(&"OR") {
        *at += 1;
        met |= both(words, at, allowed);
    }
    met
}

fn both(words: &[&str], at: &mut usize, allowed: &[String]) -> bool {
    let mut met = one(words, at, allowed);
    while words.get(*at) == Some(&"AND") {
        *at += 1;
        met &= one(words, at, allowed);
    }
    met
}

fn one(words: &[&str], at: &mut usize, allowed: &[String]) -> bool {
    let Some(word) = words.get(*at) else { return false };
    *at += 1;
    if *word == "(" {
        let met = either(words, at, allowed);
        *at += 1;
        return met;
    }
    let mut name = (*word).to_string();
    if words.get(*at) == Some(&"WITH") {
        name += &format!(" WITH {}", words.get(*at + 1).unwrap_or(&""));
        *at += 2;
    }
    allowed.contains(&name)
}

#[test]
fn licences_are_read_as_they_are_meant() {
    let allowed = ["MIT", "Zlib", "Apache-2.0 WITH LLVM-exception"].map(String::from);
    for (expression, met) in [
        ("MIT", true),
        ("GPL-3.0-only", false),
        ("MIT OR GPL-3.0-only", true),
        ("MIT AND GPL-3.0-only", false),
        ("GPL-3.0-only/MIT", true),
        ("GPL-3.0-only OR MIT AND Zlib", true),
        ("(GPL-3.0-only OR MIT) AND Zlib", true),
        ("(GPL-3.0-only OR MIT) AND BSL-1.0", false),
        ("Apache-2.0 WITH LLVM-exception", true),
        ("Apache-2.0", false),
        ("", false),
        ("MIT MIT", false),
    ] {
        assert_eq!(is_met(expression, &allowed), met, "{expression}");
    }
}

#[test]
fn dependencies_have_licences_that_are_allowed() {
    let allowed = allowed();
    assert!(allowed.len() > 5 && allowed.contains(&"MIT".to_string()), "{allowed:?}");
    let host = Command::new("rustc").arg("-vV").output().unwrap();
    let host = String::from_utf8(host.stdout).unwrap();
    let host = host.lines().find_map(|line| line.strip_prefix("host: ")).unwrap().to_string();
    // What is built here; what only other systems build is not on this disk.
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--offline", "--locked"])
        .args(["--filter-platform", &host])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 50, "{}", packages.len());
    let mut wrong = Vec::new();
    for package in packages {
        let (name, version) = (&package["name"], &package["version"]);
        let licence = package["license"].as_str().unwrap_or("none said");
        if !is_met(licence, &allowed) {
            wrong.push(format!("{name} {version}: {licence}"));
        }
        let own = package["source"].is_null();
        if !own && package["source"] != REGISTRY {
            wrong.push(format!("{name} {version}: from {}", package["source"]));
        }
        for dependency in package["dependencies"].as_array().unwrap().iter().filter(|_| own) {
            if dependency["req"] == "*" && dependency["path"].is_null() {
                wrong.push(format!("{name}: {} in any version", dependency["name"]));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    println!("{} packages, all of them under allowed licences", packages.len());
}

#[test]
fn every_dependency_of_every_system_comes_from_crates_io_with_a_checksum() {
    let lock = fs::read_to_string(root().join("Cargo.lock")).unwrap();
    let mut own = 0;
    for package in lock.split("[[package]]").skip(1) {
        let value = |key: &str| {
            package
                .lines()
                .find_map(|line| Some(line.strip_prefix(key)?.trim_matches('"').to_owned()))
        };
        let name = value("name = ").unwrap();
        match value("source = ") {
            None => {
                own += 1;
                assert!(name.starts_with("stillwright"), "{name} lies in a folder");
            }
            Some(source) => {
                assert_eq!(source, REGISTRY, "{name}");
                assert!(value("checksum = ").is_some_and(|sum| sum.len() == 64), "{name}");
            }
        }
    }
    assert_eq!(own, 9);
}
