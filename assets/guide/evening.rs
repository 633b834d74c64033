//! Makes the guide's pictures of an evening: `cargo run --release --example guide_evening`.
//!
//! The real workbench over a simulated capture, rendered without any graphics driver: a plan, the
//! still, measurements on it, and a reference picture beside it. Ground, site and reference are
//! made up.

use anyhow::Context;
use egui::accesskit::Role;
use egui::{Key, Modifiers};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use std::path::Path;
use stillwright_night::atomic::Existing;
use stillwright_night::export::{Caption, Format, write_picture};
use stillwright_night::moon::fix::{Camera, Projection, Px, SkyOffset};
use stillwright_night::moon::plan::{Between, Course, Wish};
use stillwright_night::moon::{LunarPoint, LunarView, Moment, Site};
use stillwright_night::picture::{Picture, Plane, Silent};
use stillwright_night::sample::{SampleCapture, SampleSettings, SunSettings};
use stillwright_night::sample_night::{SampleFiles, write_sample};
use stillwright_night::seeing::beside::{Homography, lay};
use stillwright_night::seeing::raster::Raster;
use stillwright_night::session::{
    CaptureId, CaptureState, Command, ExportTarget, Places, PlanWish, Setting,
};
use stillwright_night::sheet::{Instrument, SheetChange};
use stillwright_night::stacking::finish::Optics;
use stillwright_workbench::{Workbench, WorkbenchOptions};

#[path = "../pictured.rs"]
mod pictured;
#[path = "../../crates/workbench/tests/support/raster.rs"]
mod raster;

use pictured::{Window, press, save, wait};

const TIME: &str = "2026-03-26T20:00:00Z";

fn main() -> anyhow::Result<()> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("assets/guide");
    let work = tempfile::tempdir()?;
    let night = work.path().join("evening of the school roof");
    std::fs::create_dir(&night)?;
    let settings = ground();
    let files = SampleFiles::plan(&night, "ridge-north");
    write_sample(&files, &settings, Existing::Keep, &Silent)?;
    let plate = night.join("plate.still.png");
    write_plate(&settings, &plate)?;
    let options = WorkbenchOptions {
        files: vec![files.capture.clone()],
        watch_memory: false,
        ..WorkbenchOptions::new(Places::under(work.path().join("places")))
    };
    let mut window = Harness::builder()
        .with_size([1440.0, 900.0])
        .renderer(raster::Raster::default())
        .with_render_cursor(false)
        .build_eframe(|cc| Workbench::new(&cc.egui_ctx, options).expect("a fresh night opens"));
    wait(&mut window, |app| app.session().entries().len() == 1 && app.session().is_idle())?;
    let id = window.state().session().entries()[0].id;
    let optics = optics(&settings);
    window.state_mut().send(Command::Change { id, setting: Setting::Optics(Some(optics)) });
    wait(&mut window, done)?;

    let projection = projection(&settings)?;
    measure(&mut window, id, &projection, &settings)?;
    press(&mut window, Key::F6);
    press(&mut window, Key::G);
    wait(&mut window, done)?;
    save(&mut window, &folder.join("measure.png"))?;
    press(&mut window, Key::G);

    // Named from where it lies, so that the picture shows no one's folders.
    std::env::set_current_dir(&night)?;
    let plate = plate.strip_prefix(&night)?.to_path_buf();
    window.state_mut().send(Command::Sheet { id, change: SheetChange::Reference(Some(plate)) });
    press(&mut window, Key::F7);
    wait(&mut window, |app| {
        done(app) && app.session().selected().is_some_and(|entry| entry.beside.set.is_some())
    })?;
    save(&mut window, &folder.join("compare.png"))?;
    let target = ExportTarget { folder: Some(night.join("stills")), existing: Existing::Replace };
    window.state_mut().send(Command::WriteFigure { id, target: target.clone() });
    window.state_mut().send(Command::WriteMeasured { id, target });
    wait(&mut window, done)?;
    for (made, name) in
        [("ridge-north.beside.png", "figure.jpg"), ("ridge-north.measured.png", "measured.jpg")]
    {
        let picture = image::open(night.join("stills").join(made))?.to_rgb8();
        picture.save(folder.join(name))?;
    }

    plan(&mut window, projection.place_at(Px { x: 240.0, y: 180.0 }).context("on the disc")?)?;
    press(&mut window, Key::F8);
    // The page's fields say what was asked for.
    for (name, text) in
        [("Sun there (°)", "14, 22"), ("Moon above (°)", "25"), ("Days ahead", "200")]
    {
        let field = window.get_by_role_and_label(Role::TextInput, name);
        field.focus();
        window.run_steps(2);
        window.key_press_modifiers(Modifiers::COMMAND, Key::A);
        window.run_steps(1);
        window.get_by_role_and_label(Role::TextInput, name).type_text(text);
        window.run_steps(1);
    }
    wait(&mut window, done)?;
    save(&mut window, &folder.join("plan.png"))
}

fn ground() -> SampleSettings {
    let mut ground = SampleSettings::demo(1);
    (ground.width, ground.height, ground.frames) = (480, 360, 300);
    ground
}

/// Site of the evening: made up.
fn site() -> anyhow::Result<Site> {
    Ok(Site::new(47.5, 8.25, 450.0)?)
}

/// What the owner of the simulated telescope would have typed.
fn optics(settings: &SampleSettings) -> Optics {
    let telescope = &settings.telescope;
    let pixel_um = 2.9;
    Optics {
        aperture_m: telescope.aperture_m,
        obstruction: telescope.obstruction,
        focal_length_m: pixel_um * 1e-6 / telescope.arcsec_per_px * 206_264.806_247_096_36,
        pixel_um,
        wavelength_m: telescope.wavelength_m,
    }
}

/// The simulated ground laid upon the Moon where the Sun stands as it does in the simulation: from
/// the left, some 18 degrees high.
fn projection(settings: &SampleSettings) -> anyhow::Result<Projection> {
    let view = LunarView::at(Moment::parse(TIME)?, Some(site()?));
    let place = (-800..800)
        .map(|i| LunarPoint::new(f64::from(i) * 0.1, -14.0))
        .find(|place| {
            let lighting = view.lighting(*place);
            lighting.morning && (lighting.sun_altitude_deg - 18.0).abs() < 0.2
        })
        .context("some place has this light")?;
    let camera = Camera {
        anchor: SkyOffset { east_arcsec: 0.0, north_arcsec: 0.0 },
        anchor_px: Px { x: 0.0, y: 0.0 },
        arcsec_per_px: settings.telescope.arcsec_per_px,
        up_position_angle_deg: view.axis_position_angle_deg + 180.0,
        mirrored: false,
    };
    let there = Projection { view, camera }.px_of(place).context("on the near side")?;
    let anchor_px = Px { x: 240.0 - there.x, y: 180.0 - there.y };
    Ok(Projection { view, camera: Camera { anchor_px, ..camera } })
}

fn measure(
    window: &mut Window,
    id: CaptureId,
    projection: &Projection,
    settings: &SampleSettings,
) -> anyhow::Result<()> {
    let change = |window: &mut Window, change| {
        window.state_mut().send(Command::Sheet { id, change });
    };
    change(window, SheetChange::Time(Some(Moment::parse(TIME)?)));
    change(window, SheetChange::Site(Some(site()?)));
    for (name, x, y) in
        [("north hill", 70.0, 300.0), ("twin", 420.0, 60.0), ("east pit", 60.0, 60.0)]
    {
        let px = Px { x, y };
        let place = projection.place_at(px);
        change(window, SheetChange::AddPlace { px, name: name.into(), place });
    }
    let mark = |window: &mut Window, instrument, points: &[(f64, f64)], name: &str| {
        let number = window.state().session().entry(id).map_or(1, |e| e.sheet.next_number());
        for (i, (x, y)) in points.iter().enumerate() {
            let px = Px { x: *x, y: *y };
            let next = match i {
                0 => SheetChange::Begin { instrument, px },
                _ => SheetChange::AddPoint { number, px },
            };
            window.state_mut().send(Command::Sheet { id, change: next });
        }
        let name = name.to_string();
        window
            .state_mut()
            .send(Command::Sheet { id, change: SheetChange::Rename { number, name } });
    };
    // Where the large crater of this simulated ground lies.
    let (cx, cy, r) = HERO;
    let rim: Vec<(f64, f64)> = (0..8)
        .map(|i| {
            let (sin, cos) = (f64::from(i) * std::f64::consts::TAU / 8.0).sin_cos();
            (cx + r * cos, cy + r * sin)
        })
        .collect();
    mark(window, Instrument::Crater, &rim, "great crater");
    mark(window, Instrument::Height, &WALL, "west wall");
    mark(window, Instrument::Distance, &[(333.0, 120.0), (412.0, 280.0)], "pit to pit");
    debug_assert_eq!(settings.width, 480);
    Ok(())
}

/// The large crater of the simulated ground, as it was looked up in the still: middle and radius, px.
const HERO: (f64, f64, f64) = (256.0, 203.0, 61.0);
/// Its wall towards the Sun, and where the wall's shadow ends.
const WALL: [(f64, f64); 2] = [(196.0, 195.0), (232.0, 202.0)];

/// A made-up plate of the same ground from above: finer, turned, in another light.
fn write_plate(settings: &SampleSettings, path: &Path) -> anyhow::Result<()> {
    let mut other = settings.clone();
    other.sun = SunSettings { altitude_deg: 25.0, azimuth_rad: 0.05 };
    let capture = SampleCapture::prepare(&other)?;
    let wide = Raster::of_plane(capture.picture().plane(0));
    let margin = settings.margin_px as f64;
    let (width, height) = (700, 560);
    let turn = 24.0_f64.to_radians();
    let middle = [240.0 + margin, 180.0 + margin];
    let map = Homography::similarity(1.0 / 1.35, -turn, [350.0, 280.0], middle);
    let laid = lay(&wide, &map, width, height);
    let plane = Plane::from_shape_vec((height, width), laid.raster.values)?;
    let mut file = std::io::BufWriter::new(std::fs::File::create(path)?);
    let picture = Picture::from_plane(plane);
    write_picture(Format::Png, &picture, &Caption::default(), &mut file)?;
    Ok(())
}

fn plan(window: &mut Window, place: LunarPoint) -> anyhow::Result<()> {
    let wish = Wish {
        sun_altitude_deg: Some(Between { low: 14.0, high: 22.0 }),
        course: Some(Course::Morning),
        site_sun_below_deg: Some(-12.0),
        ..Wish::of(place, 25.0)
    };
    let from = Some(Moment::parse("2026-03-27")?);
    let asked = PlanWish { wish, site: site()?, from, days: 200.0, equipment: None };
    window.state_mut().send(Command::Plan(Box::new(asked)));
    wait(window, |app| app.session().planning().is_some() && app.session().is_idle())
}

fn done(app: &Workbench) -> bool {
    app.session().is_idle()
        && app.session().selected().is_some_and(|entry| entry.state == CaptureState::Done)
}
