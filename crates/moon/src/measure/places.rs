//! Lists of named places.

use crate::error::MoonError;
use crate::lunar::LunarPoint;
use serde::Serialize;

/// Most places of a list.
const MOST: usize = 100_000;

/// A place with a name.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct NamedPlace {
    /// What it is called.
    pub name: String,
    /// Where it is.
    pub place: LunarPoint,
    /// How wide it is, km, where the list tells.
    pub diameter_km: Option<f64>,
}

/// Read a list of places: lines of `name,latitude,longitude` or `name,latitude,longitude,diameter`,
/// in degrees (north and east positive) and km. Names may stand in double quotes; empty lines, lines
/// that begin with `#`, and a first line of column headings are passed over.
///
/// # Errors
/// A line that is none of these, with its number; more than 100000 places; no places at all.
pub fn parse_places(text: &str) -> Result<Vec<NamedPlace>, MoonError> {
    let mut places = Vec::new();
    let mut first = true;
    for (i, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let fields = fields(line);
        let parsed = fields.as_deref().and_then(place);
        // Column headings name a latitude where a place has a number.
        let heading = first
            && fields
                .is_some_and(|f| f.len() >= 3 && f[1..3].iter().all(|f| f.parse::<f64>().is_err()));
        first = false;
        match parsed {
            Some(place) if places.len() < MOST => places.push(place),
            Some(_) => {
                return Err(MoonError::Marks(format!(
                    "more than {MOST} places; expected a shorter list"
                )));
            }
            None if heading => {}
            None => {
                let shown: String = line.chars().take(60).collect();
                return Err(MoonError::Marks(format!(
                    "line {}: expected name,latitude,longitude and perhaps a diameter in km, such \
                     as Copernicus,9.62,-20.08,96; found {shown:?}",
                    i + 1
                )));
            }
        }
    }
    if places.is_empty() {
        return Err(MoonError::Marks(
            "the list holds no place; expected lines of name,latitude,longitude".into(),
        ));
    }
    Ok(places)
}

fn place(fields: &[String]) -> Option<NamedPlace> {
    let number = |i: usize| fields.get(i)?.parse::<f64>().ok().filter(|n| n.is_finite());
    let (lat, lon) = (number(1)?, number(2)?);
    let diameter_km = match fields.get(3).map(String::as_str) {
        None | Some("") => None,
        Some(_) => Some(number(3).filter(|km| *km > 0.0)?),
    };
    let sound = (3..=4).contains(&fields.len()) && lat.abs() <= 90.0 && lon.abs() <= 360.0;
    sound.then(|| NamedPlace {
        name: fields[0].clone(),
        place: LunarPoint::new(lon, lat),
        diameter_km,
    })
}

/// Fields of a line: parted by commas, perhaps in double quotes, which are doubled inside.
fn fields(line: &str) -> Option<Vec<String>> {
    let mut all = Vec::new();
    let mut rest = line;
    loop {
        rest = rest.trim_start();
        let mut field = String::new();
        if let Some(mut quoted) = rest.strip_prefix('"') {
            loop {
                let end = quoted.find('"')?;
                field.push_str(&quoted[..end]);
                quoted = &quoted[end + 1..];
                match quoted.strip_prefix('"') {
                    Some(more) => {
                        field.push('"');
                        quoted = more;
                    }
                    None => break,
                }
            }
            rest = quoted.trim_start();
            if !(rest.is_empty() || rest.starts_with(',')) {
                return None;
            }
        } else {
            let end = rest.find(',').unwrap_or(rest.len());
            field.push_str(rest[..end].trim());
            rest = &rest[end..];
        }
        all.push(field);
        match rest.strip_prefix(',') {
            Some(more) => rest = more,
            None => return Some(all),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_are_read() {
        let text = "\u{feff}name,latitude,longitude,diameter_km\r\n# from a map\n\
                    Copernicus,9.62,339.92,96.1\n\"Ridge, \"\"long\"\"\", -1.5 , 20 \n\nA,0,0,\n";
        let places = parse_places(text).unwrap();
        assert_eq!(places.len(), 3);
        assert!((places[0].place.lon_deg + 20.08).abs() < 1e-9);
        assert_eq!(places[0].diameter_km, Some(96.1));
        assert_eq!(places[1].name, "Ridge, \"long\"");
        assert_eq!((places[1].place.lat_deg, places[1].diameter_km), (-1.5, None));
        assert_eq!(places[2].diameter_km, None);
    }

    #[test]
    fn wrong_lines_are_named() {
        for (text, part) in [
            ("", "no place"),
            ("name,lat,lon", "no place"),
            ("A,1,2\nB,91,0", "line 2"),
            ("A,1,2\nB,x,y", "line 2"),
            ("A,1,2,3,4", "line 1"),
            ("A,1", "line 1"),
            ("A,1,2,-5", "line 1"),
            ("A,nan,2", "line 1"),
            ("\"A,1,2", "line 1"),
        ] {
            let error = parse_places(text).unwrap_err().to_string();
            assert!(error.contains(part), "{text}: {error}");
        }
    }
}
