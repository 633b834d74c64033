//! Measurements as a table for other programs: comma-separated values, one measurement a row.

use super::findings::Findings;
use super::reading::Reading;
use stillwright_moon::LunarPoint;
use stillwright_moon::fix::Measured;

const HEAD: &str = "capture,time_utc,number,name,instrument,value,uncertainty_95,unit,lon_deg,lat_deg,sun_altitude_deg,flat_height_km,marks_px,note";

/// The measurements of a capture. Numbers have a decimal point; texts stand in double quotes where
/// they must; uncertainties cover 95 of 100 cases. `marks_px`: `x y` of each mark, semicolons between.
pub fn csv(capture: &str, findings: &Findings) -> String {
    let mut out = String::from(HEAD);
    out.push_str("\r\n");
    for measurement in &findings.sheet.measurements {
        let reading = findings.reading(measurement.number);
        let row = match reading {
            Some(Ok(reading)) => Row::of(reading),
            Some(Err(words)) => Row { note: words.clone(), ..Row::default() },
            None => Row::default(),
        };
        let place = |of: fn(&LunarPoint) -> f64| number(row.place.as_ref().map(of), 4);
        let marks: Vec<String> =
            measurement.points.iter().map(|px| format!("{:.2} {:.2}", px.x, px.y)).collect();
        let fields = [
            quoted(capture),
            findings.moment.map_or_else(String::new, |moment| moment.to_string()),
            measurement.number.to_string(),
            quoted(&measurement.name),
            measurement.instrument.name().to_lowercase(),
            number(row.value, 5),
            number(row.uncertainty, 5),
            row.unit.to_string(),
            place(|p| p.lon_deg),
            place(|p| p.lat_deg),
            number(row.sun_altitude_deg, 3),
            number(row.flat_km, 4),
            marks.join(";"),
            quoted(&row.note),
        ];
        out.push_str(&fields.join(","));
        out.push_str("\r\n");
    }
    out
}

#[derive(Default)]
struct Row {
    value: Option<f64>,
    uncertainty: Option<f64>,
    unit: &'static str,
    place: Option<LunarPoint>,
    sun_altitude_deg: Option<f64>,
    flat_km: Option<f64>,
    note: String,
}

impl Row {
    fn measured(of: Measured, unit: &'static str) -> Row {
        let (value, uncertainty) = (Some(of.value), Some(of.uncertainty));
        Row { value, uncertainty, unit, ..Row::default() }
    }

    fn of(reading: &Reading) -> Row {
        match reading {
            Reading::Distance { km: Some(km), .. } => Row::measured(*km, "km"),
            Reading::Distance { px, arcsec, .. } => Row {
                value: arcsec.or(Some(*px)),
                unit: if arcsec.is_some() { "arcsec" } else { "px" },
                ..Row::default()
            },
            Reading::Crater(crater) => {
                Row { place: Some(crater.centre), ..Row::measured(crater.diameter_km, "km") }
            }
            Reading::Profile { km, .. } => Row { value: *km, unit: "km", ..Row::default() },
            Reading::Height(height) => Row {
                place: Some(height.summit),
                sun_altitude_deg: Some(height.sun_altitude_deg),
                flat_km: Some(height.flat_height_km),
                ..Row::measured(height.height_km, "km")
            },
            Reading::Disc { disc, beside } => match beside.and_then(|b| b.equatorial_arcsec) {
                Some(arcsec) => Row::measured(arcsec, "arcsec"),
                None => Row::measured(disc.equatorial_px, "px"),
            },
        }
    }
}

fn number(value: Option<f64>, decimals: usize) -> String {
    value.filter(|v| v.is_finite()).map_or_else(String::new, |v| format!("{v:.decimals$}"))
}

/// By RFC 4180. A text that a table program would take for a formula gets a blank before it.
fn quoted(text: &str) -> String {
    let plain =
        if text.starts_with(['=', '+', '-', '@']) { format!(" {text}") } else { text.into() };
    if plain.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", plain.replace('"', "\"\""))
    } else {
        plain
    }
}
