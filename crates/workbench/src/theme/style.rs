//! The look as egui's style.

use super::{CORNER, GRID, Light, Tokens, body, large, small, title};
use egui::style::{HandleShape, Selection, WidgetVisuals, Widgets};
use egui::{
    Color32, Context, CornerRadius, Margin, Shadow, Stroke, Style, TextStyle, Vec2, Visuals,
};

/// Use the look of `light` from now on.
pub fn apply(ctx: &Context, light: Light) {
    let tokens = light.tokens();
    let theme = if tokens.dark { egui::Theme::Dark } else { egui::Theme::Light };
    ctx.set_theme(theme);
    ctx.style_mut_of(theme, |style| dress(style, tokens));
}

fn dress(style: &mut Style, tokens: &Tokens) {
    style.text_styles = [
        (TextStyle::Small, small()),
        (TextStyle::Body, body()),
        (TextStyle::Button, body()),
        (TextStyle::Monospace, body()),
        (TextStyle::Heading, large()),
        (TextStyle::Name("title".into()), title()),
    ]
    .into();
    style.visuals = visuals(tokens);
    style.interaction.tooltip_delay = 0.4;
    style.interaction.selectable_labels = false;
    let spacing = &mut style.spacing;
    spacing.item_spacing = Vec2::new(2.0 * GRID, GRID);
    spacing.button_padding = Vec2::new(2.0 * GRID, GRID);
    spacing.interact_size = Vec2::new(10.0 * GRID, 6.0 * GRID);
    spacing.menu_margin = Margin::same(6);
    spacing.window_margin = Margin::same(16);
    spacing.indent = 4.0 * GRID;
    spacing.tooltip_width = 70.0 * GRID;
    spacing.icon_width = 14.0;
    spacing.icon_width_inner = 8.0;
    spacing.combo_width = 20.0 * GRID;
    spacing.scroll = egui::style::ScrollStyle::thin();
}

fn visuals(tokens: &Tokens) -> Visuals {
    let mut visuals = if tokens.dark { Visuals::dark() } else { Visuals::light() };
    let state = |fill: Color32, weak: Color32, edge: Color32, text: Color32| WidgetVisuals {
        bg_fill: fill,
        weak_bg_fill: weak,
        bg_stroke: Stroke::new(1.0, edge),
        corner_radius: CornerRadius::same(CORNER),
        fg_stroke: Stroke::new(1.0, text),
        expansion: 0.0,
    };
    visuals.widgets = Widgets {
        noninteractive: state(tokens.card, tokens.card, tokens.line, tokens.text),
        inactive: state(
            tokens.card,
            tokens.card,
            tokens.line.lerp_to_gamma(tokens.edge, 0.4),
            tokens.text,
        ),
        hovered: state(tokens.card_hover, tokens.card_hover, tokens.edge, tokens.text),
        active: state(tokens.card_hover, tokens.card_hover, tokens.chosen, tokens.text),
        open: state(tokens.card_hover, tokens.card_hover, tokens.edge, tokens.text),
    };
    visuals.override_text_color = None;
    visuals.weak_text_color = Some(tokens.quiet);
    // Text on a selection must stay readable: a faint wash of the chosen colour.
    let wash = tokens.card.lerp_to_gamma(tokens.chosen, 0.22);
    visuals.selection = Selection { bg_fill: wash, stroke: Stroke::new(1.0, tokens.chosen) };
    visuals.hyperlink_color = tokens.chosen;
    visuals.faint_bg_color = tokens.card;
    visuals.extreme_bg_color = tokens.surround;
    visuals.text_edit_bg_color = Some(tokens.card);
    visuals.code_bg_color = tokens.card;
    visuals.warn_fg_color = tokens.trouble;
    visuals.error_fg_color = tokens.trouble;
    visuals.window_fill = tokens.card;
    visuals.window_stroke = Stroke::new(1.0, tokens.line);
    visuals.window_corner_radius = CornerRadius::same(CORNER);
    visuals.menu_corner_radius = CornerRadius::same(CORNER);
    visuals.panel_fill = tokens.bench;
    let shade = Color32::from_black_alpha(if tokens.dark { 120 } else { 40 });
    let shadow = Shadow { offset: [0, 4], blur: 16, spread: 0, color: shade };
    visuals.window_shadow = shadow;
    visuals.popup_shadow = shadow;
    visuals.text_cursor.stroke = Stroke::new(2.0, tokens.chosen);
    visuals.handle_shape = HandleShape::Circle;
    visuals.slider_trailing_fill = false;
    visuals.striped = false;
    visuals.indent_has_left_vline = false;
    visuals.disabled_alpha = 0.6;
    visuals
}
