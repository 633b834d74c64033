use super::*;
use stillwright_picture::{BayerOrder, FrameFormat, Layout, SampleType, Samples, Silent};

const SIDE: usize = 96;
const CELLS: CellGrid = CellGrid { cell_px: 16, columns: 6, rows: 6 };

struct Random(u64);

impl Random {
    fn next(&mut self) -> f32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (self.0 >> 40) as f32 / (1_u64 << 24) as f32
    }
}

/// Frames of random samples that lie up to 5 px away, whose cells weigh for one of three sums each, or for none.
fn frames(layout: Layout, count: usize) -> Vec<Aligned> {
    let mut random = Random(4);
    let sample_type = SampleType::F32;
    let format = FrameFormat { width: SIDE, height: SIDE, layout, sample_type, white: 1.0 };
    let mut frame = |half: usize| {
        let mut frame = RawFrame::black(format);
        frame.samples = Samples::F32((0..SIDE * SIDE).map(|_| random.next()).collect());
        let mut weights = vec![vec![0.0; CELLS.len()]; 3];
        for cell in 0..CELLS.len() {
            if let Some(sum) = weights.get_mut((5.0 * random.next()) as usize) {
                sum[cell] = 0.2 + random.next();
            }
        }
        let at = (10.0 * random.next() - 5.0, 10.0 * random.next() - 5.0);
        let field = Field::constant(SIDE, SIDE, 16, at.0, at.1);
        Aligned { frame, transparency: 1.0, field, weights, half }
    };
    (0..count).map(|i| frame(i % 2)).collect()
}

fn empty(layout: Layout, scale: f32, drop: Option<Drop>) -> Accumulator {
    let (channels, offsets) = (layout.picture_channels(), [(0.3, -0.2), (0.0, 0.0), (-0.4, 0.1)]);
    Accumulator::new(channels, (SIDE, SIDE), scale, CELLS, offsets).of_drops(drop)
}

/// Every sum gets what it would get alone, and all together what all weights together give.
#[test]
fn sums_that_are_made_at_once_are_those_that_are_made_one_by_one() {
    let mosaic = Layout::Bayer(BayerOrder::Rggb);
    for (layout, scale, drop) in [
        (Layout::Mono, 1.0, None),
        (mosaic, 1.0, None),
        (Layout::Mono, 1.5, None),
        (Layout::Mono, 2.0, Some(Drop::new(0.5, 2.0))),
        (mosaic, 2.0, Some(Drop::new(0.8, 2.0))),
    ] {
        let frames = frames(layout, 8);
        let mut parts: Vec<Accumulator> = (0..3).map(|_| empty(layout, scale, drop)).collect();
        Accumulator::add_to(&mut parts, &frames, None, &Silent).unwrap();
        let alone = |weights: &dyn Fn(&Aligned) -> Vec<f32>| {
            let weighed = |frame: &Aligned| Aligned {
                frame: frame.frame.clone(),
                field: frame.field.clone(),
                weights: vec![weights(frame)],
                ..*frame
            };
            let frames: Vec<Aligned> = frames.iter().map(weighed).collect();
            let mut sum = [empty(layout, scale, drop)];
            Accumulator::add_to(&mut sum, &frames, None, &Silent).unwrap();
            let [sum] = sum;
            sum
        };
        #[track_caller]
        fn alike(a: &Accumulator, b: &Accumulator) {
            for half in 0..2 {
                let both = a.sums[half].iter().zip(&b.sums[half]);
                let both = both.chain(a.weights[half].iter().zip(&b.weights[half]));
                for (a, b) in both {
                    assert!((a - b).abs() <= 1e-5 * a.abs().max(1.0), "{a} {b}");
                }
                assert!(a.weights[half].iter().any(|w| *w > 0.5));
            }
        }
        for (k, part) in parts.iter().enumerate() {
            alike(part, &alone(&|frame| frame.weights[k].clone()));
        }
        let all = |frame: &Aligned| {
            let of_cell = |cell| frame.weights.iter().map(|w| w[cell]).sum();
            (0..CELLS.len()).map(of_cell).collect()
        };
        alike(&Accumulator::together(&parts).unwrap(), &alone(&all));
    }
}

/// At less than the capture's scale blocks are wider than what a window holds, and are split; the last strip is shorter than the others.
#[test]
fn some_halves_of_some_sums_together_are_what_their_frames_give() {
    let mut parts: Vec<Accumulator> = (0..3).map(|_| empty(Layout::Mono, 1.0, None)).collect();
    Accumulator::add_to(&mut parts, &frames(Layout::Mono, 8), None, &Silent).unwrap();
    let first_halves = Accumulator::mean_of(parts.iter().map(|part| (part, 0)), 0, None);
    let all = Accumulator::together(&parts).unwrap();
    let (half, whole) = (all.half(0, None), all.whole(None));
    let off = |a: &Array2<f32>, b: &Picture| {
        a.iter().zip(b.plane(0)).map(|(a, b)| (a - b).abs()).fold(0.0, f32::max)
    };
    assert!(off(&first_halves, &half) < 1e-5);
    let one = Accumulator::mean_of([(&parts[1], 1)], 0, None);
    assert_eq!(one, parts[1].half(1, None).plane(0));
    // Where nothing was added.
    let fallback = whole.plane(0).to_owned();
    let filled = Accumulator::mean_of([(&parts[1], 1)], 0, Some(&fallback));
    assert!(parts[1].weights[1].iter().any(|w| *w == 0.0));
    for (((filled, one), fallback), w) in
        filled.iter().zip(&one).zip(&fallback).zip(&parts[1].weights[1])
    {
        assert_eq!(filled, if *w > 0.0 { one } else { fallback });
    }
    assert!(Accumulator::mean_of([], 0, None).is_empty());
}

#[test]
fn wide_blocks_are_split_in_short_strips_too() {
    let (width, height, scale) = (640, 200, 0.75);
    let cells = CellGrid { cell_px: 16, columns: 40, rows: 13 };
    let format = FrameFormat {
        width,
        height,
        layout: Layout::Mono,
        sample_type: SampleType::F32,
        white: 1.0,
    };
    let mut frame = RawFrame::black(format);
    frame.samples = Samples::F32((0..width * height).map(|i| (i % width) as f32).collect());
    let mut weights = vec![vec![0.0; cells.len()]; 2];
    (0..cells.len()).for_each(|cell| weights[usize::from(cell % 7 < 3)][cell] = 1.0);
    let field = Field::constant(width, height, 16, 0.0, 0.0);
    let frames = [Aligned { frame, transparency: 1.0, field, weights, half: 0 }];
    let pool = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let sums = pool.install(|| {
        let empty = || Accumulator::new(1, (width, height), scale, cells, [(0.0, 0.0); 3]);
        let mut sums = [empty(), empty()];
        Accumulator::add_to(&mut sums, &frames, None, &Silent).unwrap();
        Accumulator::together(&sums).unwrap()
    });
    let picture = sums.whole(None);
    let (out_width, out_height) = sums.size();
    assert!(out_width == 480 && !out_height.is_multiple_of(STRIP_ROWS));
    for y in 0..out_height {
        for x in 0..out_width {
            let expected = ((x as f32 + 0.5) / scale - 0.5).clamp(0.0, (width - 1) as f32);
            let found = picture.planes[[0, y, x]];
            assert!((found - expected).abs() < 0.6, "{x} {y}: {found} {expected}");
        }
    }
}

#[test]
fn a_foreign_sample_is_refused_for_all_sums_and_counted_once() {
    let mut frames = frames(Layout::Mono, 6);
    let value = Picture { planes: Array3::from_elem((1, SIDE, SIDE), 0.5) };
    let tolerance = Picture { planes: Array3::from_elem((1, SIDE, SIDE), 2.0) };
    let expected = Expected { picture: value, tolerance };
    let add = |frames: &[Aligned]| {
        let mut parts: Vec<_> = (0..3).map(|_| empty(Layout::Mono, 1.0, None)).collect();
        Accumulator::add_to(&mut parts, frames, Some(&expected), &Silent).unwrap();
        Accumulator::together(&parts).unwrap()
    };
    assert_eq!(add(&frames).refused(), 0);
    let Samples::F32(samples) = &mut frames[2].frame.samples else { panic!("floats") };
    samples[40 * SIDE + 40] = 40.0;
    frames[2].weights = vec![vec![0.0; CELLS.len()]; 3];
    // Two sums meet where it lies.
    for cell in 0..CELLS.len() {
        frames[2].weights[cell % 2][cell] = 1.0;
    }
    let added = add(&frames);
    // The sample, as far as interpolation spreads it and four px on each side.
    assert!((9 * 9..=15 * 15).contains(&added.refused()), "{}", added.refused());
    assert!(added.whole(None).planes.iter().all(|v| (-0.8..1.8).contains(v)));
}

/// Frames that are laid twice are no quieter for it: the stack is the mean of both layings, and what the noise map says of one laying taken twice is what it says of it once.
#[test]
fn another_laying_of_the_same_frames_is_averaged_and_lowers_no_noise() {
    let laid = |shift: f32| {
        let mut sums = [empty(Layout::Mono, 1.0, None)];
        let mut all = frames(Layout::Mono, 16);
        for frame in &mut all {
            frame.field.x_px.iter_mut().for_each(|d| *d += shift);
            frame.weights = vec![vec![1.0; CELLS.len()]];
        }
        Accumulator::add_to(&mut sums, &all, None, &Silent).unwrap();
        let [sums] = sums;
        sums
    };
    let (once, other) = (laid(0.0), laid(0.4));
    let mut both = once.clone();
    both.rejected = 3;
    both.absorb_another_laying(&Accumulator { rejected: 4, ..other.clone() });
    assert_eq!(both.refused(), 3);
    let middle = |sums: &Accumulator, x: usize| sums.whole(None).planes[[0, 48, x]];
    for x in 20..76 {
        let mean = 0.5 * (middle(&once, x) + middle(&other, x));
        assert!((middle(&both, x) - mean).abs() < 1e-5, "{x}");
    }
    let noise = stillwright_seeing::noise::NoiseModel::default();
    let map = |sums: &Accumulator| {
        let map = crate::noise_map::noise_map(sums.clone(), &sums.whole(None), &noise, 1.0);
        map.planes[[0, 48, 48]]
    };
    let mut twice = once.clone();
    twice.absorb_another_laying(&once);
    assert!(map(&once) > 0.0);
    assert!((map(&twice) / map(&once) - 1.0).abs() < 1e-3, "{} {}", map(&twice), map(&once));
}
