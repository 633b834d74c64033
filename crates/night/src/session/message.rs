//! Messages that stay until they are read.

use super::entry::CaptureId;

/// Tells one message from another; later ones are larger.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MessageId(pub(crate) u64);

/// How much a message matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weight {
    /// Good to know.
    Note,
    /// Something went wrong and wants doing about.
    Trouble,
}

/// Something the person should know.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Its number.
    pub id: MessageId,
    /// How much it matters.
    pub weight: Weight,
    /// What happened and what to do; lines are broken where an error puts its path last.
    pub words: String,
    /// The capture it is about.
    pub capture: Option<CaptureId>,
    /// When, UTC: `YYYY-MM-DDThh:mm:ssZ`.
    pub at_utc: String,
}

/// The messages that nobody has read yet, oldest first.
#[derive(Debug, Default)]
pub(crate) struct Messages {
    last: u64,
    pub unread: Vec<Message>,
}

/// More than these are not kept: the oldest notes go first, then the oldest trouble.
const MOST: usize = 200;

/// Words that were written for the command line, without its options: a window has a folder to choose
/// and a box to tick.
pub(crate) fn for_window(words: &str) -> String {
    words
        .replace("or say --overwrite to replace it", "or allow files to be replaced")
        .replace(" with --out", "")
}

impl Messages {
    /// Add a message; one that says the same about the same capture is replaced.
    pub fn add(&mut self, weight: Weight, capture: Option<CaptureId>, words: &str) -> MessageId {
        let words = for_window(words);
        self.unread.retain(|m| m.words != words || m.capture != capture);
        self.last += 1;
        let id = MessageId(self.last);
        let at_utc = crate::clock::now();
        self.unread.push(Message { id, weight, words, capture, at_utc });
        if self.unread.len() > MOST {
            let note = self.unread.iter().position(|m| m.weight == Weight::Note);
            self.unread.remove(note.unwrap_or(0));
        }
        id
    }

    /// Forget one that was read.
    pub fn read(&mut self, id: MessageId) {
        self.unread.retain(|m| m.id != id);
    }
}
