//! Places in a body: steps from the outermost value, made to a pointer only where a fault is named.
//!
//! What a sender writes as names of fields is in every pointer below them, so pointers have a length of their own.

/// Longest pointer that is written; a fault that lies deeper is named at the innermost place around it that has one.
pub const MAX_POINTER: usize = 500;

/// A place in the body.
#[derive(Clone, Copy)]
pub(super) enum Place<'a> {
    /// The outermost value.
    Root,
    /// A field of an object.
    Field(&'a Place<'a>, &'a str),
    /// An item of a list.
    Item(&'a Place<'a>, usize),
}

impl Place<'_> {
    /// Its pointer.
    pub fn pointer(&self) -> String {
        self.steps().0
    }

    /// The pointer, and whether it is the whole way.
    fn steps(&self) -> (String, bool) {
        let (parent, step) = match self {
            Self::Root => return (String::new(), true),
            Self::Field(parent, name) => (parent, (*name).to_owned()),
            Self::Item(parent, index) => (parent, index.to_string()),
        };
        match parent.steps() {
            (pointer, true) => step_down(pointer, &step),
            torn => torn,
        }
    }
}

/// One step further, unless that is too far.
fn step_down(pointer: String, step: &str) -> (String, bool) {
    if step.len() > MAX_POINTER {
        return (pointer, false);
    }
    let longer = join(&pointer, step);
    if longer.len() > MAX_POINTER {
        (pointer, false)
    } else {
        (longer, true)
    }
}

/// One step further down a JSON pointer (RFC 6901).
pub fn join(pointer: &str, step: &str) -> String {
    format!("{pointer}/{}", step.replace('~', "~0").replace('/', "~1"))
}

/// Where the deserialiser stumbled.
pub(super) fn pointer_of(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    let mut pointer = String::new();
    for segment in path {
        let step = match segment {
            Segment::Seq { index } => index.to_string(),
            Segment::Map { key } => key.clone(),
            Segment::Enum { .. } | Segment::Unknown => continue,
        };
        let (longer, whole) = step_down(pointer, &step);
        pointer = longer;
        if !whole {
            break;
        }
    }
    pointer
}
