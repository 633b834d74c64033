//! Can everything be read, and does red light stay red?

use super::*;

/// Relative luminance and contrast as WCAG 2.2 defines them (section "relative luminance").
fn luminance(colour: Color32) -> f64 {
    let linear = |v: u8| {
        let v = f64::from(v) / 255.0;
        if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * linear(colour.r()) + 0.7152 * linear(colour.g()) + 0.0722 * linear(colour.b())
}

fn contrast(a: Color32, b: Color32) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// `veil` over a background.
fn over(veil: Color32, ground: Color32) -> Color32 {
    let left = 1.0 - f32::from(veil.a()) / 255.0;
    let mix = |v: u8, g: u8| (f32::from(v) + left * f32::from(g)).round() as u8;
    Color32::from_rgb(
        mix(veil.r(), ground.r()),
        mix(veil.g(), ground.g()),
        mix(veil.b(), ground.b()),
    )
}

#[test]
fn contrast_is_as_defined() {
    assert!((contrast(Color32::BLACK, Color32::WHITE) - 21.0).abs() < 1e-9);
    assert!((contrast(rgb(0x777777), Color32::WHITE) - 4.478).abs() < 1e-3);
}

#[test]
fn all_text_can_be_read_in_every_light() {
    for light in Light::ALL {
        let t = light.tokens();
        for (ground_name, ground) in
            [("bench", t.bench), ("card", t.card), ("card under the pointer", t.card_hover)]
        {
            for (name, colour) in [
                ("text", t.text),
                ("quiet", t.quiet),
                ("chosen", t.chosen),
                ("measured", t.measured),
                ("trouble", t.trouble),
            ] {
                let found = contrast(colour, ground);
                assert!(found >= 4.5, "{light:?}: {name} on {ground_name}: {found:.2}");
            }
        }
        let found = contrast(t.on_chosen, t.chosen);
        assert!(found >= 4.5, "{light:?}: text on chosen: {found:.2}");
        // Upon pictures, whatever they show; red light shows no white.
        let brightest = if light == Light::Red { rgb(0xff0000) } else { Color32::WHITE };
        for ground in [Color32::BLACK, brightest] {
            for colour in [t.on_veil, t.on_veil_quiet] {
                let found = contrast(colour, over(t.veil, ground));
                assert!(found >= 4.5, "{light:?}: on the veil: {found:.2}");
            }
        }
        let found = contrast(t.edge, t.bench);
        assert!(found >= 3.0 || light == Light::Red, "{light:?}: edges: {found:.2}");
    }
}

#[test]
fn red_light_is_red_only() {
    let t = Light::Red.tokens();
    for colour in [
        t.bench,
        t.card,
        t.card_hover,
        t.surround,
        t.line,
        t.edge,
        t.text,
        t.quiet,
        t.chosen,
        t.on_chosen,
        t.measured,
        t.trouble,
        t.veil,
        t.on_veil,
        t.on_veil_quiet,
    ] {
        assert_eq!((colour.g(), colour.b()), (0, 0), "{colour:?}");
    }
}

#[test]
fn lights_have_names() {
    for light in Light::ALL {
        assert_eq!(Light::from_name(light.name()), Some(light));
    }
    assert_eq!(Light::from_name("blue"), None);
}
