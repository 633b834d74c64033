//! The command line keeps its contract: commands, files, fields, exit statuses.
#![allow(clippy::unwrap_used)]

mod cli;

use cli::{FRAMES, HEIGHT, Ran, WIDTH, names, night, program, run, run_on, truth};
use serde_json::Value;
use std::path::Path;
use stillwright_night::Recipe;

const RESULTS: [&str; 3] = ["IN.record.json", "IN.stack.fits", "IN.still.tif"];

fn number(value: &Value, name: &str) -> f64 {
    value[name].as_f64().unwrap_or_else(|| panic!("no number {name} in {value}"))
}

#[test]
fn inspect_says_what_a_capture_holds() {
    let (_home, capture) = night();
    let ran = run_on(&["inspect"], &capture, &["--json"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let found = ran.result();
    assert_eq!(found["format"], "SER");
    assert_eq!(found["width"], WIDTH);
    assert_eq!(found["height"], HEIGHT);
    assert_eq!(found["frames"], FRAMES);
    assert_eq!(found["bit_depth"], 8);
    assert_eq!(found["layout"], "mono");
    assert!(found.as_object().unwrap().contains_key("byte_order"));
    // 24 frames at 20 frames a second.
    assert!((number(&found, "duration_s") - 1.2).abs() < 0.01, "{found}");
    assert_eq!(found["warnings"], Value::Array(vec![]));
    let words = run_on(&["inspect"], &capture, &[]);
    assert!(words.out.contains("24 frames") && words.out.contains("Nothing is wrong"), "{words:?}");
}

#[test]
fn grade_gives_every_frame_its_grade_and_shift() {
    let (_home, capture) = night();
    let ran = run_on(&["grade"], &capture, &["--json"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let result = ran.result();
    let frames = result["frames"].as_array().unwrap();
    assert_eq!(frames.len(), FRAMES);
    let reference = result["reference_frame"].as_u64().unwrap() as usize;
    let at_reference = truth().frames[reference].shift;
    let (mut miss, mut way) = (0.0, 0.0);
    for (i, frame) in frames.iter().enumerate() {
        assert_eq!(frame["index"], i);
        assert!(number(frame, "grade").is_finite());
        assert_eq!(frame["rejected"], false);
        // Where the scene lies in this frame minus where it lies in the reference: x to the
        // right, y down, as the simulation tells it.
        let true_shift = truth().frames[i].shift;
        let x = f64::from(true_shift.x_px - at_reference.x_px);
        let y = f64::from(true_shift.y_px - at_reference.y_px);
        miss += (number(frame, "shift_x") - x).powi(2) + (number(frame, "shift_y") - y).powi(2);
        way += x * x + y * y;
    }
    // The picture ripples by a pixel or two from place to place, and the true shift is the mean
    // over the field while the measured one follows the structure: they agree to the ripple of
    // two frames. A wrong sign or swapped axes would miss by more than the way itself.
    let ripple = |frame: &stillwright_night::sample::TrueFrame| f64::from(frame.ripple_rms_px);
    let ripples: f64 = truth().frames.iter().map(|f| ripple(f).powi(2)).sum::<f64>()
        + FRAMES as f64 * ripple(&truth().frames[reference]).powi(2);
    assert!(miss < ripples && 2.0 * ripples < way, "{miss} {ripples} {way}");
}

#[test]
fn still_writes_its_three_files_and_says_so() {
    let (home, capture) = night();
    let before = std::fs::read(&capture).unwrap();
    let out = home.path().join("DIR");
    let ran =
        run_on(&["still"], &capture, &["--keep", "20", "--json", "--out", out.to_str().unwrap()]);
    assert_eq!(ran.status, 0, "{ran:?}");
    assert_eq!(names(&out), RESULTS);
    assert_eq!(std::fs::read(&capture).unwrap(), before, "the capture is untouched");
    let result = ran.result();
    for (field, name) in [("still", RESULTS[2]), ("stack", RESULTS[1]), ("record", RESULTS[0])] {
        assert_eq!(Path::new(result[field].as_str().unwrap()), out.join(name));
    }
    assert_eq!(number(&result, "keep_percent"), 20.0);
    assert!((1.0..=FRAMES as f64).contains(&number(&result, "frames_used")));
    assert!(number(&result, "seconds") > 0.0);
    assert!(number(&result, "resolution_arcsec_or_px") >= 2.0);
    assert_eq!(result["resolution_unit"], "px");

    let record: Value =
        serde_json::from_slice(&std::fs::read(out.join("IN.record.json")).unwrap()).unwrap();
    assert_eq!(record["inputs"][0]["bytes"], before.len());
    assert_eq!(record["inputs"][0]["sha256"].as_str().unwrap().len(), 64);
    assert_eq!(record["reference_frame"], result["reference_frame"]);
    assert_eq!(record["program"], format!("Stillwright {}", env!("CARGO_PKG_VERSION")));
    for field in
        ["recipe", "recipe_resolved", "found", "measured", "timings", "warnings", "capture"]
    {
        assert!(!record[field].is_null(), "{field}");
    }
}

#[test]
fn the_stack_has_the_reference_frames_grid() {
    let (home, capture) = night();
    for (scale, times) in [("1", 1.0), ("1.5", 1.5)] {
        let out = home.path().join(scale);
        let ran = run_on(
            &["still"],
            &capture,
            &["--keep", "50", "--scale", scale, "--json", "--out", out.to_str().unwrap()],
        );
        assert_eq!(ran.status, 0, "{ran:?}");
        let bytes = std::fs::read(out.join("IN.stack.fits")).unwrap();
        let header = String::from_utf8_lossy(&bytes[..2880]).into_owned();
        let card = |name: &str| {
            let cards = (0..36).map(|i| header[i * 80..(i + 1) * 80].to_string());
            cards.into_iter().find(|card| card.starts_with(name)).unwrap_or_default()
        };
        let side = |name: &str| card(name)[10..30].trim().parse::<f64>().unwrap();
        assert_eq!(side("NAXIS1"), WIDTH as f64 * times);
        assert_eq!(side("NAXIS2"), HEIGHT as f64 * times);
        assert_eq!(card("BITPIX")[10..30].trim(), "-32");
        assert!(card("ROWORDER").contains("'TOP-DOWN'"), "{header}");
    }
}

#[test]
fn drops_and_maps_are_made_named_and_recorded() {
    let (home, capture) = night();
    let out = home.path().join("DIR");
    let options = ["--keep", "50", "--scale", "2", "--pixfrac", "0.5", "--maps", "--json"];
    let ran = run_on(&["still", "--out", out.to_str().unwrap()], &capture, &options);
    assert_eq!(ran.status, 0, "{ran:?}");
    let result = ran.result();
    assert_eq!((number(&result, "pixfrac"), number(&result, "scale")), (0.5, 2.0));
    let record: Value =
        serde_json::from_slice(&std::fs::read(out.join("IN.record.json")).unwrap()).unwrap();
    // Fruchter & Hook 2002, section 7: 1 / (1 - 1 / 3) where drops are as large as pixels of the output.
    assert!((number(&record["stack"], "noise_correlation") - 1.5).abs() < 1e-6);
    assert_eq!(record["recipe_resolved"]["stack"]["resampling"]["pixfrac"], 0.5);
    for (field, name, word) in
        [("noise_map", "IN.noise.fits", "1.50 times"), ("detail_map", "IN.detail.fits", "half-bit")]
    {
        let path = out.join(name);
        assert_eq!(result[field], path.to_str().unwrap());
        let named =
            record["outputs"].as_array().unwrap().iter().any(|o| o["path"] == result[field]);
        assert!(named, "{record}");
        let bytes = std::fs::read(&path).unwrap();
        let end = bytes.chunks(80).position(|card| card.starts_with(b"END ")).unwrap();
        let cards: Vec<String> = bytes[..80 * end]
            .chunks(80)
            .map(|card| String::from_utf8_lossy(card).into_owned())
            .collect();
        let side = |name: &str| -> usize {
            let card = cards.iter().find(|card| card.starts_with(name)).unwrap();
            card[10..30].trim().parse().unwrap()
        };
        assert_eq!((side("NAXIS1"), side("NAXIS2")), (2 * WIDTH, 2 * HEIGHT));
        let words: Vec<&str> = cards.iter().filter_map(|c| c.strip_prefix("COMMENT ")).collect();
        let words = words.iter().map(|line| line.trim_end()).collect::<Vec<_>>().join(" ");
        assert!(words.contains(word), "{words}");
        let first = (80 * (end + 1)).next_multiple_of(2880);
        let values = bytes[first..].as_chunks::<4>().0.iter().map(|v| f32::from_be_bytes(*v));
        let known = values.take(4 * WIDTH * HEIGHT).filter(|v| v.is_finite()).collect::<Vec<_>>();
        assert!(known.iter().all(|v| *v > 0.0));
        assert!(known.len() > WIDTH * HEIGHT || field == "detail_map", "{field}: {}", known.len());
    }
    let again = run_on(&["still", "--out", out.to_str().unwrap()], &capture, &options);
    assert!(again.status == 1 && !again.out.contains("\"still\""), "replaced unasked: {again:?}");
}

#[test]
fn without_a_folder_stills_go_beside_the_capture() {
    let (home, capture) = night();
    let ran = run_on(&["still"], &capture, &["--keep", "50"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    assert_eq!(names(home.path()), ["IN.ser", "stills"]);
    assert_eq!(names(&home.path().join("stills")), RESULTS);
    assert!(ran.out.contains("IN.still.tif") && ran.out.contains("50 %"), "{ran:?}");
}

#[test]
fn nothing_is_replaced_unasked() {
    let (home, capture) = night();
    let stills = home.path().join("stills");
    std::fs::create_dir(&stills).unwrap();
    std::fs::write(stills.join("IN.record.json"), "mine").unwrap();
    let ran = run_on(&["still"], &capture, &["--keep", "50", "--json"]);
    assert_eq!(ran.status, 1, "{ran:?}");
    assert!(ran.err.contains("--overwrite") && ran.err.contains("IN.record.json"), "{ran:?}");
    assert_eq!(std::fs::read(stills.join("IN.record.json")).unwrap(), b"mine");
    assert_eq!(names(&stills), ["IN.record.json"]);
    assert!(ran.result()["error"].as_str().unwrap().contains("--overwrite"));

    let ran = run_on(&["still"], &capture, &["--keep", "50", "--overwrite"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    assert_ne!(std::fs::read(stills.join("IN.record.json")).unwrap(), b"mine");
    assert_eq!(names(&stills), RESULTS);
}

#[test]
fn a_bad_file_costs_the_others_nothing_and_namesakes_never_collide() {
    let (home, capture) = night();
    let bad = home.path().join("bad.ser");
    std::fs::write(&bad, "no capture at all").unwrap();
    std::fs::create_dir(home.path().join("other")).unwrap();
    let namesake = home.path().join("other/IN.ser");
    std::fs::copy(&capture, &namesake).unwrap();
    let out = home.path().join("DIR");
    let ran = Ran::of(
        program()
            .arg("still")
            .args([&bad, &capture, &namesake])
            .args(["--keep", "50", "--json", "--out"])
            .arg(&out)
            .output()
            .unwrap(),
    );
    assert_eq!(ran.status, 1, "{ran:?}");
    let lines = ran.lines();
    assert_eq!(lines.len(), 3);
    assert!(lines[0]["error"].is_string() && lines[2]["error"].is_string());
    assert!(lines[1]["still"].is_string());
    assert!(ran.err.contains("same name"), "{ran:?}");
    assert_eq!(names(&out), RESULTS);
}

#[test]
fn further_formats_are_written_beside() {
    let (home, capture) = night();
    let out = home.path().join("DIR");
    let ran = run_on(
        &["still"],
        &capture,
        &[
            "--keep",
            "50",
            "--format",
            "png,jpeg,tiff32",
            "--format",
            "fits",
            "--json",
            "--out",
            out.to_str().unwrap(),
        ],
    );
    assert_eq!(ran.status, 0, "{ran:?}");
    let found = names(&out);
    for (name, magic) in [
        ("IN.still.png", &b"\x89PNG"[..]),
        ("IN.still.jpg", b"\xff\xd8"),
        ("IN.still-float.tif", b"II*\0"),
        ("IN.still.fits", b"SIMPLE"),
        ("IN.still.tif", b"II*\0"),
        ("IN.stack.fits", b"SIMPLE"),
    ] {
        assert!(found.iter().any(|f| f == name), "{name}");
        assert!(std::fs::read(out.join(name)).unwrap().starts_with(magic), "{name}");
    }
    assert_eq!(found.len(), 7);
}

#[test]
fn the_same_capture_and_recipe_give_the_same_bytes_with_any_number_of_threads() {
    let (home, capture) = night();
    let files = |threads: &str| {
        let out = home.path().join(threads);
        let ran = run_on(
            &["--threads", threads, "still"],
            &capture,
            &["--keep", "40", "--out", out.to_str().unwrap()],
        );
        assert_eq!(ran.status, 0, "{ran:?}");
        ["IN.stack.fits", "IN.still.tif"].map(|name| std::fs::read(out.join(name)).unwrap())
    };
    let one = files("1");
    assert!(one == files("2"), "one thread and two differ");
    assert!(one == files("3"), "one thread and three differ");
}

#[test]
fn the_resolved_recipe_makes_the_same_still_again() {
    let (home, capture) = night();
    let first = home.path().join("first");
    let ran = run_on(&["still"], &capture, &["--out", first.to_str().unwrap()]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let record: Value =
        serde_json::from_slice(&std::fs::read(first.join("IN.record.json")).unwrap()).unwrap();
    let resolved: Recipe = serde_json::from_value(record["recipe_resolved"].clone()).unwrap();
    let recipe = home.path().join("resolved.toml");
    std::fs::write(&recipe, resolved.to_commented_toml().unwrap()).unwrap();
    let second = home.path().join("second");
    let ran = run_on(
        &["still"],
        &capture,
        &["--recipe", recipe.to_str().unwrap(), "--out", second.to_str().unwrap()],
    );
    assert_eq!(ran.status, 0, "{ran:?}");
    for name in ["IN.stack.fits", "IN.still.tif"] {
        assert!(
            std::fs::read(first.join(name)).unwrap() == std::fs::read(second.join(name)).unwrap(),
            "{name} differs"
        );
    }
}

#[test]
fn recipes_are_written_read_and_checked() {
    let (home, capture) = night();
    let recipe = home.path().join("recipe.toml");
    let path = recipe.to_str().unwrap();
    let ran = run(&["still", "--write-recipe", path, "--keep", "12.5", "--scale", "2"]);
    assert_eq!(ran.status, 0, "{ran:?}");
    let written = std::fs::read_to_string(&recipe).unwrap();
    assert!(written.contains("percent = 12.5") && written.contains("# "), "{written}");
    // Not replaced unasked, either.
    assert_eq!(run(&["still", "--write-recipe", path]).status, 1);
    assert_eq!(std::fs::read_to_string(&recipe).unwrap(), written);
    let shown = run(&["still", "--write-recipe", "-"]);
    assert_eq!(Recipe::from_toml(&shown.out), Ok(Recipe::default()));

    let out = home.path().join("DIR");
    let ran = run_on(
        &["still", "--recipe", path, "--scale", "1"],
        &capture,
        &["--json", "--out", out.to_str().unwrap()],
    );
    assert_eq!(ran.status, 0, "{ran:?}");
    assert_eq!(number(&ran.result(), "keep_percent"), 12.5, "from the recipe");

    for (text, needle) in [
        ("[stack]\nkepp = 3\n", "kepp"),
        ("version = 99\n", "version 99"),
        ("[stack]\nscale = 77.0\n", "scale is 77"),
        ("\u{0}", "recipe"),
    ] {
        std::fs::write(&recipe, text).unwrap();
        let ran = run_on(&["still", "--recipe", path], &capture, &["--out", path]);
        assert_eq!(ran.status, 2, "{text}: {ran:?}");
        assert!(ran.err.contains(needle) && ran.err.trim_end().ends_with("recipe.toml"), "{ran:?}");
    }
    let ran = run_on(&["still", "--recipe", "nowhere.toml"], &capture, &[]);
    assert_eq!(ran.status, 2, "{ran:?}");
}

#[test]
fn wrong_usage_has_exit_status_two() {
    let (_home, capture) = night();
    let file = capture.to_str().unwrap();
    for arguments in [
        &["still"][..],
        &["inspect"],
        &["grade"],
        &["sample"],
        &["still", file, "--keep", "0"],
        &["still", file, "--keep", "-3"],
        &["still", file, "--keep", "101"],
        &["still", file, "--keep", "nan"],
        &["still", file, "--keep", "most"],
        &["still", file, "--scale", "0"],
        &["still", file, "--scale", "100"],
        &["still", file, "--pixfrac", "1.5"],
        &["still", file, "--pixfrac", "0.5", "--scale", "0.5"],
        &["still", file, "--format", "bmp"],
        &["still", file, "--bit-depth", "17"],
        &["still", file, "--layout", "mosaic"],
        &["still", file, "--no-such-option"],
        &["--threads", "0", "still", file],
        &["--no-cache", "still", file],
        &["--night", "x", "grade", file],
        &["sample", "--out", "x", "--frames", "0"],
        &["sample", "--out", "x", "--size", "1x1"],
        &["sample", "--out", "x", "--seeing", "-1"],
        &["sample", "--out", "x", "--seed", "many"],
    ] {
        let ran = run(arguments);
        assert_eq!(ran.status, 2, "{arguments:?}: {ran:?}");
        assert!(ran.out.is_empty() && !ran.err.is_empty(), "{arguments:?}: {ran:?}");
    }
    assert!(!Path::new("x").exists());
    for arguments in [&["--help"][..], &["still", "--help"], &["--version"]] {
        assert_eq!(run(arguments).status, 0, "{arguments:?}");
    }
}

#[test]
fn without_a_screen_the_window_says_what_can_be_done_instead() {
    let home = tempfile::tempdir().unwrap();
    for files in [&[][..], &["night.ser"]] {
        let mut command = program();
        command.arg("--night").arg(home.path()).args(files);
        command.env_remove("DISPLAY").env_remove("WAYLAND_DISPLAY").env_remove("WAYLAND_SOCKET");
        let ran = Ran::of(command.output().unwrap());
        assert_eq!(ran.status, 1, "{ran:?}");
        assert!(
            ran.err.contains("no window could be opened") && ran.err.contains("stillwright still"),
            "{ran:?}"
        );
    }
}

#[test]
fn sample_writes_captures_with_their_truth() {
    let home = tempfile::tempdir().unwrap();
    let out = home.path().join("night");
    let arguments =
        ["sample", "--kind", "small,disc", "--frames", "4", "--size", "64x48", "--json", "--out"];
    let ran = run(&[&arguments[..], &[out.to_str().unwrap(), "--seed", "7"]].concat());
    assert_eq!(ran.status, 0, "{ran:?}");
    let all: Vec<String> = ["disc", "small"]
        .iter()
        .flat_map(|name| ["ser", "truth.json", "truth.tif"].map(|end| format!("{name}.{end}")))
        .collect();
    assert_eq!(names(&out), all);
    assert_eq!(ran.result()["captures"].as_array().unwrap().len(), 2);
    let ran = run_on(&["inspect", "--json"], &out.join("disc.ser"), &[]);
    assert_eq!(ran.result()["layout"], "rggb");
    assert_eq!(ran.result()["frames"], 4);

    // The same seed gives the same night; nothing is replaced unasked.
    let first = std::fs::read(out.join("small.ser")).unwrap();
    let again = [&arguments[..], &[out.to_str().unwrap(), "--seed", "7"]].concat();
    assert_eq!(run(&again).status, 1);
    assert_eq!(run(&[&again[..], &["--overwrite"]].concat()).status, 0);
    assert_eq!(std::fs::read(out.join("small.ser")).unwrap(), first);
}

#[test]
fn demo_makes_a_still_that_is_closer_to_the_truth_than_any_frame() {
    let home = tempfile::tempdir().unwrap();
    let demo =
        || Ran::of(program().args(["demo", "--json"]).current_dir(home.path()).output().unwrap());
    let ran = demo();
    assert_eq!(ran.status, 0, "{ran:?}");
    let result = ran.result();
    let folder = home.path().join("stillwright-sample");
    for field in ["capture", "truth", "truth_picture", "still", "stack", "record"] {
        let path = home.path().join(result[field].as_str().unwrap());
        assert!(path.starts_with(&folder) && path.is_file(), "{field}: {}", path.display());
    }
    assert!(number(&result, "times_closer") > 1.5, "{result}");
    let as_it_is = |who: &str| number(&result[who], "error_as_it_is");
    let (still, frame) = (as_it_is("still_against_truth"), as_it_is("best_frame_against_truth"));
    assert!(still < 0.6 * frame, "not sharpened: {still} against {frame}");
    // Its own files, untouched, are replaced; a file that somebody changed is not.
    let still = folder.join("stills/ridge.still.tif");
    std::fs::write(&still, "retouched").unwrap();
    let ran = demo();
    assert_eq!(ran.status, 1, "{ran:?}");
    assert_eq!(std::fs::read(&still).unwrap(), b"retouched");
}
