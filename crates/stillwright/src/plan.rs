//! `plan`: coming hours that fulfil a wish, and how to set the camera.

use crate::Status;
use crate::args_plan::{CameraArgs, PlanArgs, SkyArg, WishArgs};
use crate::args_sky::When;
use crate::moon::{height, moment_of, point};
use crate::run::with_progress;
use crate::say::{self, Results, counted};
use serde::Serialize;
use stillwright_night::NightError;
use stillwright_night::moon::plan::{
    Advice, Chance, Course, Equipment, Instant, Like, Wish, advise, chart, search,
};
use stillwright_night::moon::telescope::{Limits, Telescope};
use stillwright_night::moon::{
    LunarPoint, LunarView, Moment, MoonError, PlanetView, Site, sun_cautions,
};

/// The result, as a line of JSON.
#[derive(Serialize)]
struct PlanLine {
    from_utc: Moment,
    days: f64,
    site: Option<Site>,
    wish: Option<Wish>,
    #[serde(skip_serializing_if = "Option::is_none")]
    chances: Option<Vec<ChanceLine>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    capture: Option<CaptureLine>,
    cautions: Vec<String>,
}

/// A stretch of time.
#[derive(Serialize)]
struct ChanceLine {
    #[serde(flatten)]
    chance: Chance,
    cautions: Vec<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    chart: Vec<Instant>,
}

/// How to set the camera.
#[derive(Serialize)]
struct CaptureLine {
    target: &'static str,
    /// Of the target at the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    altitude_deg: Option<f64>,
    #[serde(flatten)]
    advice: Advice,
    limits: Limits,
}

/// Half the length of a chart, s, and its step.
const CHART_HALF_S: f64 = 6.0 * 3600.0;
const CHART_STEP_S: f64 = 1800.0;

/// Plan.
///
/// # Errors
/// When the search is stopped.
pub fn run(args: &PlanArgs, results: &mut Results) -> anyhow::Result<Status> {
    if args.place.is_none() && args.camera.aperture.is_none() {
        say::error(
            "nothing to plan: give --site and --place for coming nights, or --aperture, --focal, \
             --pixel and --rate for advice on a capture\n  stillwright plan --help shows examples",
        );
        return Ok(Status::Usage);
    }
    let from = moment_of(args.from.unwrap_or(When::Now))?;
    let asked = (|| -> Result<_, MoonError> {
        let capture = capture(args, from)?;
        let wish = args.place.map(|place| wish(&args.wish, place, args.site)).transpose()?;
        if let Some(wish) = &wish {
            wish.check()?;
        }
        from.plus_seconds((args.days + 1.0) * 86_400.0)?;
        Ok((capture, wish))
    })();
    let (capture, wish) = match asked {
        Ok(asked) => asked,
        Err(error) => {
            say::error(&error.to_string());
            return Ok(Status::Usage);
        }
    };
    let chances = match (wish, args.site) {
        (Some(wish), Some(site)) => Some(chances(args, &wish, site, from)?),
        _ => None,
    };
    let cautions = if capture.is_some() { cautions_at(args, from) } else { Vec::new() };
    let line = PlanLine {
        from_utc: from,
        days: args.days,
        site: args.site,
        wish,
        chances,
        capture,
        cautions,
    };
    if args.json {
        results.json(&line);
    } else {
        results.line(&in_words(&line));
    }
    Ok(Status::Done)
}

fn wish(args: &WishArgs, place: LunarPoint, site: Option<Site>) -> Result<Wish, MoonError> {
    let like = match args.like {
        None => None,
        Some(when) => {
            let time = moment_of(when).map_err(|error| MoonError::Geometry(error.to_string()))?;
            let sub_solar = LunarView::at(time, site).sub_solar;
            Some(Like { sub_solar, within_deg: args.within })
        }
    };
    Ok(Wish {
        sun_altitude_deg: args.sun,
        course: match (args.morning, args.evening) {
            (true, _) => Some(Course::Morning),
            (_, true) => Some(Course::Evening),
            _ => None,
        },
        like,
        most_emission_deg: args.facing,
        libration_lon_deg: args.libration_lon,
        libration_lat_deg: args.libration_lat,
        site_sun_below_deg: match args.sky {
            SkyArg::Dark => Some(-18.0),
            SkyArg::Night => Some(-6.0),
            SkyArg::Any => None,
        },
        ..Wish::of(place, args.moon_above)
    })
}

fn chances(
    args: &PlanArgs,
    wish: &Wish,
    site: Site,
    from: Moment,
) -> anyhow::Result<Vec<ChanceLine>> {
    let (asked, days, most) = (*wish, args.days, args.most as usize);
    let found = with_progress("plan", move |progress| {
        Ok::<_, NightError>(search(&asked, site, from, days, most, progress)?)
    })?;
    found
        .into_iter()
        .map(|chance| {
            let best = chance.best;
            let curve = if args.chart {
                let begin = best.time_utc.plus_seconds(-CHART_HALF_S)?;
                let end = best.time_utc.plus_seconds(CHART_HALF_S)?;
                chart(wish, site, begin, end, CHART_STEP_S)?
            } else {
                Vec::new()
            };
            let highest = [chance.begins, chance.best, chance.ends]
                .iter()
                .map(|at| at.site_sun_altitude_deg)
                .fold(f64::MIN, f64::max);
            let cautions = sun_cautions("Moon", best.elongation_deg, Some(highest));
            Ok(ChanceLine { chance, cautions, chart: curve })
        })
        .collect()
}

fn cautions_at(args: &PlanArgs, from: Moment) -> Vec<String> {
    let view = LunarView::at(from, args.site);
    let sun = view.sky.map(|sky| sky.sun_altitude_deg);
    match args.camera.target.planet() {
        None => sun_cautions("Moon", view.elongation_deg, sun),
        Some(planet) => {
            let view = PlanetView::at(planet, from, args.site);
            sun_cautions("planet", view.elongation_deg, sun)
        }
    }
}

fn capture(args: &PlanArgs, from: Moment) -> Result<Option<CaptureLine>, MoonError> {
    let CameraArgs { aperture: Some(aperture), focal, pixel, rate, .. } = args.camera else {
        return Ok(None);
    };
    let camera = &args.camera;
    let telescope = Telescope::new(aperture, camera.obstruction, camera.wavelength)?;
    let side = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    // The parser asks for these along with the aperture.
    let given = |value: Option<f64>| value.unwrap_or(f64::NAN);
    let equipment = Equipment {
        telescope,
        focal_length_mm: given(focal),
        pixel_um: given(pixel),
        width_px: side(camera.frame.0),
        height_px: side(camera.frame.1),
        bytes_per_px: camera.bytes_per_px,
        frames_per_s: given(rate),
        seeing_arcsec: camera.seeing,
        drift_arcsec_per_s: camera.drift,
    };
    let planet = camera.target.planet().map(|planet| PlanetView::at(planet, from, args.site));
    let (km_per_arcsec, altitude_deg) = match &planet {
        Some(view) => (view.km_per_arcsec, view.altitude_deg),
        None => {
            let view = LunarView::at(from, args.site);
            (view.km_per_arcsec, view.sky.map(|sky| sky.altitude_deg))
        }
    };
    Ok(Some(CaptureLine {
        target: planet.map_or("Moon", |view| view.planet.name()),
        altitude_deg,
        advice: advise(&equipment, planet.as_ref())?,
        limits: telescope.limits(km_per_arcsec),
    }))
}

fn in_words(line: &PlanLine) -> String {
    let mut lines = Vec::new();
    if let (Some(wish), Some(chances)) = (&line.wish, &line.chances) {
        lines.push(format!(
            "{}: {} within {} days from {}",
            point(wish.place),
            match chances.len() {
                0 => "no chance".to_string(),
                n => counted(n, "chance"),
            },
            line.days,
            time(line.from_utc)
        ));
        if chances.is_empty() {
            lines.push(
                "  Ask for less: a wider --sun, a lower --moon-above, --sky any, more --days."
                    .into(),
            );
        }
        for chance in chances {
            of_chance(chance, &mut lines);
        }
    }
    if let Some(capture) = &line.capture {
        of_capture(capture, line.from_utc, &mut lines);
    }
    lines.extend(line.cautions.iter().map(|caution| format!("  Caution: {caution}")));
    lines.join("\n")
}

/// `2027-01-16 19:20 UTC`.
fn time(moment: Moment) -> String {
    let text: String = moment.to_string().chars().take(16).collect();
    format!("{} UTC", text.replace('T', " "))
}

fn of_chance(line: &ChanceLine, lines: &mut Vec<String>) {
    let Chance { begins, ends, best, minutes } = line.chance;
    lines.push(format!(
        "  {} to {} ({minutes:.0} min)",
        time(begins.time_utc),
        time(ends.time_utc)
    ));
    lines.push(format!(
        "    best {}: Moon {:.0} deg high, azimuth {:.0}, {:.0} % lit; Sun {:.1} deg high at the place, {}; \
         {:.1} deg from overhead; libration {:+.1} east, {:+.1} north",
        time(best.time_utc),
        best.moon_altitude_deg,
        best.moon_azimuth_deg,
        100.0 * best.illuminated,
        best.sun_altitude_deg,
        if best.morning { "morning" } else { "evening" },
        best.emission_deg,
        best.libration_lon_deg,
        best.libration_lat_deg
    ));
    lines.extend(line.cautions.iter().map(|caution| format!("    Caution: {caution}")));
    for at in &line.chart {
        lines.push(chart_line(at));
    }
}

/// One moment of a chart: a bar as long as the Moon is high, the Sun there and here, a star where
/// all is as wished.
fn chart_line(at: &Instant) -> String {
    let bar = "=".repeat((at.moon_altitude_deg.max(0.0) / 3.0).round() as usize);
    let here = match at.site_sun_altitude_deg {
        ..=-18.0 => "dark",
        ..=-6.0 => "twilight",
        ..=-0.8 => "dusk or dawn",
        _ => "day",
    };
    let wished = if at.as_wished { '*' } else { ' ' };
    format!(
        "    {} |{bar:<30}| Moon {:>3.0} deg  Sun there {:>5.1} deg  {wished} {here}",
        at.time_utc.to_string().chars().skip(11).take(5).collect::<String>(),
        at.moon_altitude_deg,
        at.sun_altitude_deg
    )
}

fn of_capture(line: &CaptureLine, from: Moment, lines: &mut Vec<String>) {
    let CaptureLine { target, altitude_deg, advice, limits } = line;
    let stands = altitude_deg.map_or(String::new(), |deg| format!(", {}", height(deg)));
    lines.push(format!("Capture of {target}, {}{stands}", time(from)));
    let mut say = |text: String| lines.push(format!("  {text}"));
    say(format!(
        "Telescope: Rayleigh {:.2} arcsec ({:.2} km), Dawes {:.2} ({:.2}), finest lines {:.2} ({:.2}) apart.",
        limits.rayleigh.arcsec,
        limits.rayleigh.km,
        limits.dawes.arcsec,
        limits.dawes.km,
        limits.finest_period.arcsec,
        limits.finest_period.km
    ));
    let judged = match advice.px_per_finest_cycle {
        ..1.9 => "too coarse: detail is lost between the pixels",
        ..3.2 => "good",
        _ => "finer than needed: light is spread thin",
    };
    say(format!(
        "Sampling: {:.3} arcsec to the pixel, {:.1} pixels to the finest cycle, {judged}; critical is {:.3} \
         (focal length times {:.2}).",
        advice.arcsec_per_px,
        advice.px_per_finest_cycle,
        advice.critical_arcsec_per_px,
        advice.focal_length_factor
    ));
    say(format!(
        "Air: r0 {:.0} cm, aperture over r0 {:.1}, changes within {:.1} ms.",
        100.0 * advice.r0_m,
        advice.d_over_r0,
        advice.coherence_time_ms
    ));
    say(format!(
        "Exposure: at most {:.1} ms, shorter where the light allows; above {:.1} ms the rate falls.",
        advice.longest_exposure_ms, advice.frame_time_ms
    ));
    if let Some(rotation) = advice.rotation {
        say(format!(
            "Turning: {:.2} arcsec pass in {:.0} s (smear / (radius x rate x cos tilt) = {:.4} / {:.5} arcsec/s); \
             longer captures smear.",
            rotation.smear_arcsec, rotation.longest_s, rotation.smear_arcsec, rotation.arcsec_per_s
        ));
    }
    say(format!(
        "Capture: {} at {:.0} a second, {}, {} on disk.",
        counted(usize::try_from(advice.frames).unwrap_or(usize::MAX), "frame"),
        1e3 / advice.frame_time_ms,
        say::seconds(advice.capture_s),
        say::size(advice.bytes)
    ));
}
