//! The resolution told plainly: telescope, pixels, air, still; in arcsec and km there and then.

use super::Bench;
use super::rows::{choice, fact, sentence};
use crate::lightbox::{MAP_KINDS, map_words};
use crate::words;
use egui::Ui;
use stillwright_night::session::{Command, Entry, Sampling};

pub fn words(entry: &Entry) -> String {
    let reached = entry
        .findings
        .as_ref()
        .and_then(|f| f.limits.iter().find(|limit| limit.name == "The still reaches").cloned());
    reached.map_or_else(String::new, |limit| format!("still to {}", words::arcsec(limit.arcsec)))
}

pub fn show(ui: &mut Ui, bench: &mut Bench<'_, '_>) {
    let (tokens, entry) = (bench.tokens, bench.entry);
    let Some(findings) = &entry.findings else { return };
    for limit in &findings.limits {
        let spread = |value: f64, unit: &str| match limit.uncertainty_arcsec {
            Some(arcsec) => {
                let share = arcsec / limit.arcsec;
                format!("{} ± {}{unit}", words::number(value), words::number(share * value))
            }
            None => format!("{}{unit}", words::number(value)),
        };
        let mut value = spread(limit.arcsec, "″");
        if let Some(km) = limit.km {
            value.push_str(&format!(" · {}", spread(km, "\u{2006}km")));
        }
        fact(ui, tokens, limit.name, &value, limit.tip);
    }
    if let Some(optics) = entry.optics {
        let sampling = match optics.sampling {
            Sampling::Coarse => "too coarse",
            Sampling::Good => "good",
            Sampling::Fine => "fine",
        };
        let words = format!("{} px per λ/D · {sampling}", words::number(optics.px_per_limit));
        fact(
            ui,
            tokens,
            "Sampling",
            &words,
            "Pixels across the telescope's cut-off; two lose nothing.",
        );
    }
    if entry.stacked.is_some() {
        let all = MAP_KINDS.map(|(kind, name, _)| (kind, name));
        let laid = bench.desk.session.laid();
        let tip = format!(
            "A map of the stack, tinted in steps: the lighter, the better. {}",
            map_words(laid).1
        );
        if let Some(kind) = choice(ui, tokens, "Over the still", tip.trim_end(), laid, &all) {
            bench.desk.send.push(Command::Lay(kind));
        }
    }
    if findings.limits.is_empty() {
        sentence(
            ui,
            "Type the optics (under Finish) for the telescope’s limits, and fix the picture for kilometres.",
            tokens.quiet,
        );
    }
}
