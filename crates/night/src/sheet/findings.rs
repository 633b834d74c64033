//! What follows from a sheet: the sky then and there, the fix, every reading, what is laid over.

use super::limits::{Limit, km_per_arcsec, limits};
use super::number::{plus_minus, rounded};
use super::reading::{Ground, Reading, read};
use super::{Body, Sheet};
use std::sync::Arc;
use stillwright_moon::fix::{Estimate, Fix, FixRequest, Mark, Px, fix};
use stillwright_moon::measure::{
    GraticuleLine, NamedPlace, Readout, ScaleBar, graticule, graticule_step_deg, readout, scale_bar,
};
use stillwright_moon::{LunarView, Moment, PlanetView, cautions, sun_cautions};
use stillwright_picture::{Picture, Plane};
use stillwright_seeing::Survey;
use stillwright_stacking::finish::Optics;

/// How well the scale that follows from typed optics is known, share: focal lengths with a Barlow lens
/// or a corrector are off by a few per cent (common practice, no source). Marks overrule it.
const SCALE_SIGMA: f64 = 0.03;
/// How well a typed direction of up is known, degrees: a camera turned by eye.
const UP_SIGMA_DEG: f64 = 1.0;
/// Hills of the limb and its width, px at the usual scale, beside the marks' own uncertainty.
const LIMB_SIGMA_PX: f64 = 1.0;
/// Labels are drawn for the widest places; more would cover the ground.
const MOST_LABELS: usize = 400;

/// What findings are made from.
#[derive(Clone)]
pub struct Source {
    /// What was said and marked.
    pub sheet: Arc<Sheet>,
    /// Columns and rows of the capture.
    pub size: (usize, usize),
    /// Start of the capture by its time stamps.
    pub start: Option<Moment>,
    /// Its length, s.
    pub duration_s: Option<f64>,
    /// Telescope and camera.
    pub optics: Option<Optics>,
    /// Named places to label.
    pub names: Option<Arc<Vec<NamedPlace>>>,
    /// The still, and its pixels per pixel of the capture.
    pub still: Option<(Arc<Picture>, f64)>,
    /// Finest detail of the still, px of the capture.
    pub detail_px: Option<f64>,
    /// The survey.
    pub survey: Option<Arc<Survey>>,
    /// How far places moved beside the whole frame ([`super::ripple_px2`]).
    pub ripple_px2: Option<f64>,
}

impl Source {
    /// Frames a second, where the file tells times.
    fn frames_per_s(&self) -> Option<f64> {
        let count = self.survey.as_ref()?.frames.len();
        let rate = (count.checked_sub(1)? as f64) / self.duration_s.filter(|s| *s > 0.0)?;
        (rate > 0.0 && rate.is_finite()).then_some(rate)
    }
}

/// What was looked at, then and there.
#[derive(Clone, Debug, PartialEq)]
pub enum Sighting {
    /// The Moon.
    Moon(Box<LunarView>),
    /// A planet.
    Planet(Box<PlanetView>),
}

/// A named place in the picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// Its name.
    pub name: String,
    /// Where it is, px of the capture.
    pub px: Px,
    /// Radius of the place, px, where it is known.
    pub radius_px: Option<f64>,
}

/// What follows from a sheet.
#[derive(Clone, Debug)]
pub struct Findings {
    /// The sheet that they follow from.
    pub sheet: Arc<Sheet>,
    /// Columns and rows of the capture.
    pub size: (usize, usize),
    /// The moment that counts.
    pub moment: Option<Moment>,
    /// Where the moment comes from, or what is missing.
    pub moment_words: String,
    /// The Moon or the planet then and there.
    pub sighting: Option<Sighting>,
    /// Cautions about the Sun; none where they do not belong.
    pub cautions: Vec<String>,
    /// Scale of the capture: by the fix, else by the optics.
    pub arcsec_per_px: Option<f64>,
    /// The picture's fix on the Moon.
    pub fix: Option<Fix>,
    /// How good the fix is, or what it still needs.
    pub fix_words: String,
    /// Whether those words are of trouble: marks that contradict each other.
    pub fix_trouble: bool,
    /// How far each marked place lies from where the fix puts it, px.
    pub place_residuals_px: Vec<Option<f64>>,
    /// Every measurement's number and reading.
    pub readings: Vec<(u32, Result<Reading, String>)>,
    /// Meridians and parallels in the picture.
    pub graticule: Arc<Vec<GraticuleLine>>,
    /// Degrees from line to line.
    pub graticule_step_deg: f64,
    /// Named places in the picture, the widest first.
    pub labels: Arc<Vec<Label>>,
    /// The resolution told plainly.
    pub limits: Vec<Limit>,
    /// Kilometres to the arcsecond in the middle of the picture, across the line of sight.
    pub km_per_arcsec: Option<f64>,
}

/// Find everything. A few milliseconds, plus a pass over the still where a profile is taken.
pub fn find(source: &Source) -> Findings {
    let sheet = &source.sheet;
    let middle_s = 0.5 * source.duration_s.unwrap_or(0.0);
    let stamp = source.start.map(|start| start.plus_seconds(middle_s).unwrap_or(start));
    let moment = sheet.moment(stamp);
    let moment_words = match (sheet.time_utc, stamp) {
        (Some(_), _) => "as you said".into(),
        (None, Some(_)) if sheet.clock_ahead_s != 0.0 => {
            format!("by the file, its clock put right by {} s", rounded(-sheet.clock_ahead_s, 1))
        }
        (None, Some(_)) => "the middle of the capture, by the file’s time stamps".into(),
        (None, None) => "the file tells no time: type it".to_string(),
    };
    let sighting = moment.map(|moment| match sheet.body.planet() {
        None => Sighting::Moon(Box::new(LunarView::at(moment, sheet.site))),
        Some(planet) => Sighting::Planet(Box::new(PlanetView::at(planet, moment, sheet.site))),
    });
    let told = match &sighting {
        Some(Sighting::Moon(view)) => cautions(view),
        Some(Sighting::Planet(view)) => {
            // The planet's own sky does not tell the Sun's altitude; the Moon's at that moment does.
            let sky = moment.and_then(|m| LunarView::at(m, sheet.site).sky);
            sun_cautions(sheet.body.name(), view.elongation_deg, sky.map(|s| s.sun_altitude_deg))
        }
        None => Vec::new(),
    };
    let from_optics = source.optics.filter(|optics| optics.check().is_ok()).map(|optics| {
        optics.pixel_um * 1e-6 / optics.focal_length_m * stillwright_moon::angle::ARCSEC_PER_RADIAN
    });
    let fixed = match &sighting {
        Some(Sighting::Moon(view)) => fix_of(sheet, view, from_optics),
        Some(Sighting::Planet(_)) => {
            Fixed::none("A fix is for the Moon; a planet’s disc is marked as such.")
        }
        None => Fixed::none("The picture’s fix needs the time."),
    };
    let fix = fixed.fix;
    let arcsec_per_px = fix.as_ref().map(|fix| fix.projection.camera.arcsec_per_px).or(from_optics);
    let km_per_arcsec =
        km_per_arcsec(fix.as_ref(), source.size).or_else(|| match sighting.as_ref()? {
            Sighting::Moon(view) => Some(view.km_per_arcsec),
            Sighting::Planet(view) => Some(view.km_per_arcsec),
        });
    let light: Option<Plane> = (sheet.measurements.iter())
        .any(|m| m.instrument == super::Instrument::Profile)
        .then(|| source.still.as_ref().map(|(picture, _)| picture.luminance()))
        .flatten();
    let scale = source.still.as_ref().map_or(1.0, |(_, scale)| *scale);
    let ground = Ground {
        fix: fix.as_ref(),
        planet: match &sighting {
            Some(Sighting::Planet(view)) => Some(view),
            _ => None,
        },
        arcsec_per_px,
        still: light.as_ref().map(|light| (light, scale)),
        sigma_px: sheet.mark_sigma_px,
    };
    let readings = sheet.measurements.iter().map(|m| (m.number, read(m, &ground))).collect();
    let (width, height) = (source.size.0 as f64, source.size.1 as f64);
    let step = fix.as_ref().map_or(1.0, |f| graticule_step_deg(&f.projection, width, height));
    let lines = fix.as_ref().and_then(|f| graticule(&f.projection, width, height, step).ok());
    let labels = match (&fix, &source.names) {
        (Some(fix), Some(names)) => labels(fix, names, source.size),
        _ => Vec::new(),
    };
    let limits = limits(
        source.optics.as_ref().filter(|optics| optics.check().is_ok()),
        (source.survey.as_deref(), source.frames_per_s(), source.ripple_px2),
        arcsec_per_px,
        source.detail_px,
        km_per_arcsec,
    );
    Findings {
        sheet: Arc::clone(sheet),
        size: source.size,
        moment,
        moment_words,
        sighting,
        cautions: told,
        arcsec_per_px,
        fix_words: fixed.words,
        fix_trouble: fixed.trouble,
        place_residuals_px: fixed.residuals,
        fix,
        readings,
        graticule: Arc::new(lines.unwrap_or_default()),
        graticule_step_deg: step,
        labels: Arc::new(labels),
        limits,
        km_per_arcsec,
    }
}

struct Fixed {
    fix: Option<Fix>,
    words: String,
    trouble: bool,
    residuals: Vec<Option<f64>>,
}

impl Fixed {
    fn none(words: &str) -> Fixed {
        Fixed { fix: None, words: words.into(), trouble: false, residuals: Vec::new() }
    }
}

fn fix_of(sheet: &Sheet, view: &LunarView, from_optics: Option<f64>) -> Fixed {
    let known: Vec<usize> =
        (0..sheet.places.len()).filter(|i| sheet.places[*i].place.is_some()).collect();
    if known.is_empty() && sheet.limb.len() < 3 {
        return Fixed::none(
            "Mark two known places well apart, or one where optics and the direction of up are known; then every pixel has its longitude and latitude.",
        );
    }
    let mark = |i: &usize| {
        let mark = &sheet.places[*i];
        mark.place.map(|place| Mark { px: mark.px, place, sigma_px: sheet.mark_sigma_px })
    };
    let request = FixRequest {
        marks: known.iter().filter_map(mark).collect(),
        limb: if sheet.limb.len() < 3 { Vec::new() } else { sheet.limb.clone() },
        limb_sigma_px: sheet.mark_sigma_px.hypot(LIMB_SIGMA_PX),
        arcsec_per_px: from_optics.map(|value| Estimate { value, sigma: SCALE_SIGMA * value }),
        up_position_angle_deg: sheet.up_deg.map(|value| Estimate { value, sigma: UP_SIGMA_DEG }),
        mirrored: sheet.mirrored,
    };
    match fix(view, &request) {
        Err(error) => Fixed {
            fix: None,
            words: error.to_string(),
            trouble: request.marks.len() + request.limb.len() > 1,
            residuals: Vec::new(),
        },
        Ok(fix) => {
            let mut residuals = vec![None; sheet.places.len()];
            for (i, off) in known.iter().zip(&fix.mark_residuals_px) {
                residuals[*i] = Some(off.x.hypot(off.y));
            }
            let trouble = fix.misfit > 3.0;
            let mut words = format!(
                "Scale {}, up at position angle {}.",
                plus_minus(fix.arcsec_per_px(), "arcsec/px"),
                plus_minus(fix.up_position_angle_deg(), "°"),
            );
            if trouble {
                let worst = known.iter().filter(|i| residuals[**i].is_some()).max_by(|a, b| {
                    residuals[**a].unwrap_or(0.0).total_cmp(&residuals[**b].unwrap_or(0.0))
                });
                let name = worst.map_or("a mark", |i| sheet.places[*i].name.as_str());
                words.push_str(&format!(
                    " The marks contradict each other ({} times their uncertainty, {name} most): check them, the time, and whether the picture is a mirror image.",
                    rounded(fix.misfit, 1)
                ));
            } else if fix.mirrored_unknown {
                words.push_str(" Taken for not mirrored; three places would tell.");
            }
            Fixed { fix: Some(fix), words, trouble, residuals }
        }
    }
}

fn labels(fix: &Fix, names: &[NamedPlace], (width, height): (usize, usize)) -> Vec<Label> {
    let projection = &fix.projection;
    let mut found: Vec<(f64, Label)> = names
        .iter()
        .filter_map(|named| {
            let px = projection.px_of(named.place)?;
            let inside = (-0.5..width as f64 - 0.5).contains(&px.x)
                && (-0.5..height as f64 - 0.5).contains(&px.y);
            let (km_per_px, _) = projection.km_per_px(named.place);
            let radius_px = named.diameter_km.map(|km| 0.5 * km / km_per_px);
            let label = Label { name: named.name.clone(), px, radius_px };
            inside.then_some((named.diameter_km.unwrap_or(0.0), label))
        })
        .collect();
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    found.truncate(MOST_LABELS);
    found.into_iter().map(|(_, label)| label).collect()
}

impl Findings {
    /// What a pixel of the capture shows; none without a fix or off the disc. A closed form: some
    /// microseconds.
    pub fn readout(&self, px: Px) -> Option<Readout> {
        readout(self.fix.as_ref()?, px)
    }

    /// Distance of two pixels in the sky.
    pub fn arcsec_between(&self, a: Px, b: Px) -> Option<f64> {
        Some((b.x - a.x).hypot(b.y - a.y) * self.arcsec_per_px?)
    }

    /// The longest bar of a round length in km that is at most `longest_px` long, at the ground in
    /// the middle of the picture.
    pub fn scale_bar(&self, longest_px: f64) -> Option<ScaleBar> {
        let fix = self.fix.as_ref()?;
        let middle =
            Px { x: 0.5 * (self.size.0 as f64 - 1.0), y: 0.5 * (self.size.1 as f64 - 1.0) };
        let place = fix.projection.place_at(middle)?;
        scale_bar(&fix.projection, place, longest_px).ok()
    }

    /// The reading of a measurement.
    pub fn reading(&self, number: u32) -> Option<&Result<Reading, String>> {
        self.readings.iter().find(|(of, _)| *of == number).map(|(_, reading)| reading)
    }

    /// The Moon then and there.
    pub fn lunar(&self) -> Option<&LunarView> {
        match self.sighting.as_ref()? {
            Sighting::Moon(view) => Some(view),
            Sighting::Planet(_) => None,
        }
    }

    /// The sky then and there, a few words each.
    pub fn sky_lines(&self) -> Vec<super::Line> {
        let mut lines = Vec::new();
        let mut say = |name: &'static str, value: String| lines.push(super::Line { name, value });
        match &self.sighting {
            Some(Sighting::Moon(view)) => {
                say("Distance", format!("{}\u{2006}km", rounded(view.distance_km, 0)));
                say("Across", format!("{}″", rounded(view.diameter_arcsec, 1)));
                say("One arcsecond", format!("{}\u{2006}km", rounded(view.km_per_arcsec, 3)));
                say("Colongitude", format!("{}°", rounded(view.colongitude_deg, 2)));
                let l = format!(
                    "{}°, {}°",
                    rounded(view.sub_observer.lon_deg, 2),
                    rounded(view.sub_observer.lat_deg, 2)
                );
                say("Libration in longitude, latitude", l);
                say("Lit", format!("{}\u{2006}%", rounded(100.0 * view.illuminated, 1)));
                if let Some(sky) = view.sky {
                    say("Altitude", format!("{}°", rounded(sky.altitude_deg, 1)));
                } else {
                    say("From", "the Earth’s centre; type the site".into());
                }
            }
            Some(Sighting::Planet(view)) => {
                say(
                    "Across the equator",
                    format!("{}″", rounded(view.equatorial_diameter_arcsec, 2)),
                );
                say("Across the poles", format!("{}″", rounded(view.polar_diameter_arcsec, 2)));
                let meridian = view.central_meridian;
                if self.sheet.body == Body::Mars {
                    say("Central meridian", format!("{}°", rounded(meridian.system_iii_deg, 1)));
                } else {
                    if let Some(deg) = meridian.system_i_deg {
                        say("Central meridian, System I", format!("{}°", rounded(deg, 1)));
                    }
                    if let Some(deg) = meridian.system_ii_deg {
                        say("Central meridian, System II", format!("{}°", rounded(deg, 1)));
                    }
                    say(
                        "Central meridian, System III",
                        format!("{}°", rounded(meridian.system_iii_deg, 1)),
                    );
                }
                say("Tilt", format!("{}°", rounded(view.tilt_deg, 1)));
                if let Some(deg) = view.altitude_deg {
                    say("Altitude", format!("{}°", rounded(deg, 1)));
                }
            }
            None => {}
        }
        lines
    }
}
