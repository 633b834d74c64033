//! Reading Rust sources and manifests just well enough to see what they import.

/// The code of `source`: comments gone, strings and characters emptied, white space around `::`
/// closed up, so that words in prose and in messages are never taken for imports.
pub fn code_of(source: &str) -> String {
    let chars: Vec<char> = source.chars().collect();
    let at = |i: usize| chars.get(i).copied().unwrap_or('\0');
    let mut code = String::with_capacity(source.len());
    let mut i = 0;
    while i < chars.len() {
        let before = code.chars().next_back().unwrap_or(' ');
        match (at(i), at(i + 1)) {
            ('/', '/') => {
                while i < chars.len() && at(i) != '\n' {
                    i += 1;
                }
            }
            ('/', '*') => {
                let mut depth = 0;
                loop {
                    match (at(i), at(i + 1)) {
                        ('/', '*') => (depth, i) = (depth + 1, i + 2),
                        ('*', '/') => (depth, i) = (depth - 1, i + 2),
                        _ => i += 1,
                    }
                    if depth == 0 || i >= chars.len() {
                        break;
                    }
                }
                code.push(' ');
            }
            ('r', '"' | '#') if !is_word(before) || before == 'b' => {
                let hashes = chars[i + 1..].iter().take_while(|c| **c == '#').count();
                if at(i + 1 + hashes) == '"' {
                    i += 2 + hashes;
                    let closes = |i: usize| at(i) == '"' && (1..=hashes).all(|k| at(i + k) == '#');
                    while i < chars.len() && !closes(i) {
                        i += 1;
                    }
                    i += 1 + hashes;
                    code.push_str("\"\"");
                } else {
                    code.push('r');
                    i += 1;
                }
            }
            ('"', _) => {
                i += 1;
                while i < chars.len() && at(i) != '"' {
                    i += if at(i) == '\\' { 2 } else { 1 };
                }
                i += 1;
                code.push_str("\"\"");
            }
            // A character, not a lifetime: 'x', or an escape.
            ('\'', '\\') => {
                i += 3;
                while i < chars.len() && at(i) != '\'' {
                    i += 1;
                }
                i += 1;
                code.push_str("' '");
            }
            ('\'', _) if at(i + 2) == '\'' => {
                i += 3;
                code.push_str("' '");
            }
            (c, _) => {
                code.push(c);
                i += 1;
            }
        }
    }
    closed_up(&code)
}

fn is_word(c: char) -> bool {
    c.is_alphanumeric() || c == '_'
}

/// White space to single blanks, and none around `::`, `{`, `}` and `,`.
fn closed_up(code: &str) -> String {
    let mut out = code.split_whitespace().collect::<Vec<_>>().join(" ");
    for mark in ["::", "{", "}", ","] {
        for spaced in [format!(" {mark}"), format!("{mark} ")] {
            out = out.replace(&spaced, mark);
        }
    }
    out
}

/// Whether `code` (as [`code_of`] gives it) names `path`: a crate (`rayon`), or a module of one
/// (`std::fs`), written out or inside braces (`std::{fs, io}`).
pub fn names_path(code: &str, path: &str) -> bool {
    let Some((root, rest)) = path.split_once("::") else {
        return words_at(code, path).any(|(before, after)| {
            after.starts_with("::")
                || before.ends_with("use ")
                || before.ends_with("extern crate ")
                || (after.starts_with([',', '}', ';']) && in_use(before))
        });
    };
    words_at(code, root).any(|(_, after)| {
        let Some(after) = after.strip_prefix("::") else { return false };
        match after.strip_prefix('{') {
            Some(list) => heads_of(list).any(|head| head == rest),
            None => words_at(after, rest).next().is_some_and(|(before, _)| before.is_empty()),
        }
    })
}

/// Every place where `word` stands as a whole word: what stands before and after it.
fn words_at<'a>(code: &'a str, word: &'a str) -> impl Iterator<Item = (&'a str, &'a str)> {
    code.match_indices(word).filter_map(move |(i, _)| {
        let (before, after) = (&code[..i], &code[i + word.len()..]);
        let whole = !before.ends_with(is_word) && !after.starts_with(is_word);
        whole.then_some((before, after))
    })
}

/// Whether `before` is the beginning of a `use` with braces at its outermost level: `use{a,b,`.
fn in_use(before: &str) -> bool {
    let statement = before.rsplit(';').next().unwrap_or(before);
    statement.rsplit_once("use{").is_some_and(|(_, list)| {
        let open = list.matches('{').count() == list.matches('}').count();
        open && (list.is_empty() || list.ends_with([',', '}']))
    })
}

/// First names of a list in braces: `fs::File`, `io` and `path::{..}` give `fs`, `io`, `path`.
fn heads_of(list: &str) -> impl Iterator<Item = &str> {
    let mut depth = 0;
    let mut start = 0;
    let mut heads = Vec::new();
    for (i, c) in list.char_indices() {
        match c {
            '{' => depth += 1,
            '}' | ',' if depth == 0 => {
                heads.push(&list[start..i]);
                start = i + 1;
                if c == '}' {
                    break;
                }
            }
            '}' => depth -= 1,
            _ => {}
        }
    }
    heads.into_iter().map(|item| item.split(|c| !is_word(c)).next().unwrap_or(""))
}

/// Packages that a manifest depends on, those of tests and builds included, with `_` for `-`.
/// A renamed package counts under both names.
pub fn dependencies_of(manifest: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut listing = false;
    for line in manifest.lines().map(|line| line.split('#').next().unwrap_or("").trim()) {
        if let Some(section) = line.strip_prefix('[') {
            let section = section.trim_end_matches(']').trim();
            let own = !section.starts_with("workspace");
            listing = own && section.ends_with("dependencies");
            // A table of its own: [dependencies.name].
            if let Some((_, name)) = section.rsplit_once("dependencies.").filter(|_| own) {
                found.push(name.trim_matches('"').replace('-', "_"));
            }
            continue;
        }
        let Some((key, value)) =
            line.split_once('=').filter(|_| listing || line.starts_with("package"))
        else {
            continue;
        };
        if listing {
            let name = key.trim().split('.').next().unwrap_or("").trim_matches('"');
            found.push(name.replace('-', "_"));
        }
        let real = if key.trim() == "package" {
            Some(value)
        } else {
            value.split_once("package").map(|(_, v)| v)
        };
        if let Some(real) = real.and_then(|text| text.split('"').nth(1)) {
            found.push(real.replace('-', "_"));
        }
    }
    found
}
