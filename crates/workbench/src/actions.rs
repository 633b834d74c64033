//! Everything that has a key or stands in a menu: one row each, and nowhere else.

use crate::instruments::Tool;
use egui::{Key, KeyboardShortcut, Modifiers};
use stillwright_night::seeing::calibration::MasterKind;
use stillwright_night::session::MapKind;
use stillwright_night::sheet::Instrument;

/// What can be asked for by key or menu.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Act {
    /// Open captures or folders.
    Open,
    /// Make a sample night.
    Sample,
    /// Write the still of the selected capture.
    Export,
    /// Make all stills.
    MakeAll,
    /// Take the selected capture off the night.
    Remove,
    /// Close the window.
    Quit,
    /// Take the last step back.
    Undo,
    /// Take it again.
    Redo,
    /// Remember the recipe of the selected capture.
    CopyRecipe,
    /// Give the selected capture the remembered recipe.
    PasteRecipe,
    /// Give all other captures the recipe of the selected one.
    RecipeToAll,
    /// Keep the recipe under a name.
    SaveRecipe,
    /// Next capture.
    Next,
    /// Previous capture.
    Previous,
    /// Show or hide the shelf.
    Shelf,
    /// Show or hide the inspector.
    Inspector,
    /// Frame and still beside each other.
    SideBySide,
    /// A line between frame and still that is dragged.
    Wiper,
    /// Frame and still in turn.
    Blink,
    /// The whole picture.
    Fit,
    /// One pixel of the capture is one of the screen.
    OneToOne,
    /// Nearer.
    ZoomIn,
    /// Farther.
    ZoomOut,
    /// Tiles coloured by grade.
    Tiles,
    /// Lay a map of the stack over the still, or take it off.
    Lay(MapKind),
    /// Dark room.
    Dark,
    /// By day.
    Day,
    /// Red light.
    Red,
    /// Larger text.
    TextLarger,
    /// Smaller text.
    TextSmaller,
    /// Text as at first.
    TextPlain,
    /// The inspector is about the still and its recipe.
    Finish,
    /// The inspector is about measuring.
    Measure,
    /// The inspector is about a reference picture.
    Compare,
    /// The plan page.
    Plan,
    /// Take an instrument into the hand, or put it away.
    Take(Tool),
    /// Meridians and parallels.
    Graticule,
    /// Names of places.
    Names,
    /// Ask for darks, flats or dark-flats of the selected capture.
    ChooseCalibration(MasterKind),
    /// The best frame.
    BestFrame,
    /// Stop everything.
    Stop,
    /// All messages were read.
    ReadAll,
    /// The page of keys.
    Keys,
    /// The page of words.
    Words,
}

/// Where an action stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Menu {
    /// The night and its captures.
    Night,
    /// Changes.
    Edit,
    /// Instruments, and what is laid over.
    Measure,
    /// What is seen.
    View,
    /// Explanations.
    Help,
}

impl Menu {
    /// All menus.
    pub const ALL: [Menu; 5] = [Menu::Night, Menu::Edit, Menu::Measure, Menu::View, Menu::Help];

    /// Its name.
    pub fn words(self) -> &'static str {
        match self {
            Menu::Night => "Night",
            Menu::Edit => "Edit",
            Menu::Measure => "Measure",
            Menu::View => "View",
            Menu::Help => "Help",
        }
    }
}

/// One row.
pub struct Row {
    /// The action.
    pub act: Act,
    /// Its menu.
    pub menu: Menu,
    /// What it is called.
    pub words: &'static str,
    /// Its key.
    pub key: Option<KeyboardShortcut>,
    /// Whether a line stands above it in its menu.
    pub line: bool,
}

const fn row(act: Act, menu: Menu, words: &'static str, key: Option<KeyboardShortcut>) -> Row {
    Row { act, menu, words, key, line: false }
}

const fn lined(act: Act, menu: Menu, words: &'static str, key: Option<KeyboardShortcut>) -> Row {
    Row { act, menu, words, key, line: true }
}

const fn plain(key: Key) -> Option<KeyboardShortcut> {
    Some(KeyboardShortcut::new(Modifiers::NONE, key))
}

const fn command(key: Key) -> Option<KeyboardShortcut> {
    Some(KeyboardShortcut::new(Modifiers::COMMAND, key))
}

const fn shifted(key: Key) -> Option<KeyboardShortcut> {
    Some(KeyboardShortcut::new(Modifiers::COMMAND.plus(Modifiers::SHIFT), key))
}

/// All of them, in the order of the menus.
pub const ACTIONS: &[Row] = &[
    row(Act::Open, Menu::Night, "Open captures…", command(Key::O)),
    row(Act::Sample, Menu::Night, "Make a sample night", None),
    lined(Act::Export, Menu::Night, "Export the still", command(Key::E)),
    row(Act::MakeAll, Menu::Night, "Make all stills", shifted(Key::E)),
    lined(Act::Previous, Menu::Night, "Previous capture", command(Key::ArrowUp)),
    row(Act::Next, Menu::Night, "Next capture", command(Key::ArrowDown)),
    row(Act::Remove, Menu::Night, "Take off the night (the file stays)", command(Key::Delete)),
    row(Act::Plan, Menu::Night, "Plan a night…", plain(Key::F8)),
    lined(Act::Stop, Menu::Night, "Stop the work", command(Key::Period)),
    lined(Act::Quit, Menu::Night, "Quit", command(Key::Q)),
    row(Act::Undo, Menu::Edit, "Undo", command(Key::Z)),
    row(Act::Redo, Menu::Edit, "Redo", shifted(Key::Z)),
    lined(Act::CopyRecipe, Menu::Edit, "Copy the recipe", shifted(Key::C)),
    row(Act::PasteRecipe, Menu::Edit, "Paste the recipe", shifted(Key::V)),
    row(Act::RecipeToAll, Menu::Edit, "Give this recipe to all captures", None),
    lined(Act::SaveRecipe, Menu::Edit, "Keep the recipe under a name…", command(Key::S)),
    row(Act::Finish, Menu::Measure, "Finish the still", plain(Key::F5)),
    row(Act::Measure, Menu::Measure, "Measure on the still", plain(Key::F6)),
    row(Act::Compare, Menu::Measure, "Compare with a reference picture", plain(Key::F7)),
    lined(Act::Take(Tool::Place), Menu::Measure, "Known place", plain(Key::P)),
    row(Act::Take(Tool::Limb), Menu::Measure, "Limb", plain(Key::E)),
    lined(
        Act::Take(Tool::Instrument(Instrument::Distance)),
        Menu::Measure,
        "Distance",
        plain(Key::D),
    ),
    row(Act::Take(Tool::Instrument(Instrument::Crater)), Menu::Measure, "Crater", plain(Key::C)),
    row(
        Act::Take(Tool::Instrument(Instrument::Height)),
        Menu::Measure,
        "Height from a shadow",
        plain(Key::H),
    ),
    row(Act::Take(Tool::Instrument(Instrument::Profile)), Menu::Measure, "Profile", plain(Key::V)),
    row(
        Act::Take(Tool::Instrument(Instrument::Disc)),
        Menu::Measure,
        "Disc of a planet",
        plain(Key::U),
    ),
    row(Act::Take(Tool::Pair), Menu::Measure, "Pair of marks in both pictures", plain(Key::M)),
    lined(Act::Graticule, Menu::Measure, "Meridians and parallels", plain(Key::G)),
    row(Act::Names, Menu::Measure, "Names of places", plain(Key::N)),
    row(Act::SideBySide, Menu::View, "Side by side", plain(Key::Num1)),
    row(Act::Wiper, Menu::View, "Wiper", plain(Key::Num2)),
    row(Act::Blink, Menu::View, "Blink", plain(Key::Num3)),
    lined(Act::Fit, Menu::View, "Fit the picture", plain(Key::F)),
    row(Act::OneToOne, Menu::View, "One to one", plain(Key::O)),
    row(Act::ZoomIn, Menu::View, "Nearer", plain(Key::Plus)),
    row(Act::ZoomOut, Menu::View, "Farther", plain(Key::Minus)),
    lined(Act::BestFrame, Menu::View, "Best frame", plain(Key::B)),
    row(Act::Tiles, Menu::View, "Tiles by grade", plain(Key::T)),
    row(Act::Lay(MapKind::Detail), Menu::View, "Detail over the still", plain(Key::K)),
    row(Act::Lay(MapKind::Noise), Menu::View, "Noise over the still", plain(Key::J)),
    lined(Act::Shelf, Menu::View, "Shelf", plain(Key::S)),
    row(Act::Inspector, Menu::View, "Inspector", plain(Key::I)),
    lined(Act::Dark, Menu::View, "Dark", None),
    row(Act::Day, Menu::View, "Light", plain(Key::L)),
    row(Act::Red, Menu::View, "Red light", plain(Key::R)),
    lined(Act::TextLarger, Menu::View, "Larger text", command(Key::Plus)),
    row(Act::TextSmaller, Menu::View, "Smaller text", command(Key::Minus)),
    row(Act::TextPlain, Menu::View, "Text as at first", command(Key::Num0)),
    row(Act::Keys, Menu::Help, "Keys", plain(Key::F1)),
    row(Act::Words, Menu::Help, "What the words mean", plain(Key::F2)),
    lined(Act::ReadAll, Menu::Help, "Messages were read", plain(Key::F3)),
];

/// A key as it stands on the keyboard: `Ctrl+.`.
pub fn key_words(ctx: &egui::Context, key: &KeyboardShortcut) -> String {
    let words = ctx.format_shortcut(key);
    words.replace("Period", ".").replace("Plus", "+").replace("Minus", "−")
}

/// The actions whose keys were pressed. While text is typed or a page is open, plain keys are left
/// to it.
pub fn pressed(ctx: &egui::Context, plain_keys: bool) -> Vec<Act> {
    let typing = ctx.text_edit_focused();
    let mut acts = Vec::new();
    ctx.input_mut(|input| {
        // The longer key first: Ctrl+Shift+Z is not Ctrl+Z.
        for long in [true, false] {
            for row in ACTIONS {
                let Some(key) = row.key else { continue };
                let is_plain = key.modifiers.is_none();
                if key.modifiers.shift != long || (is_plain && (typing || !plain_keys)) {
                    continue;
                }
                if input.consume_shortcut(&key) {
                    acts.push(row.act);
                }
            }
        }
    });
    acts
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn no_two_actions_share_a_key_or_a_name() {
        let keys: Vec<_> = ACTIONS.iter().filter_map(|row| row.key).collect();
        assert_eq!(keys.iter().collect::<HashSet<_>>().len(), keys.len());
        let names: HashSet<_> = ACTIONS.iter().map(|row| row.words).collect();
        assert_eq!(names.len(), ACTIONS.len());
        let acts: HashSet<_> = ACTIONS.iter().map(|row| row.act).collect();
        assert_eq!(acts.len(), ACTIONS.len());
    }
}
