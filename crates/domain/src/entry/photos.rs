//! Which photos an entry cites.

use super::Body;
use crate::photo::PhotoDigest;

impl Body {
    /// The photos that it cites, each once; what is no name of a photo is left out, as no entry has such.
    pub fn photos(&self) -> Vec<PhotoDigest> {
        let mut photos: Vec<PhotoDigest> = match self {
            Self::TaggedOut(body) => read(&body.photos).collect(),
            Self::Inspected(body) => body
                .findings
                .iter()
                .flat_map(|finding| read(&finding.photos))
                .collect(),
            Self::Registered(_)
            | Self::Repaired(_)
            | Self::ProofTested(_)
            | Self::ReturnedToService(_)
            | Self::Confirmed(_)
            | Self::Transferred(_)
            | Self::Issued(_)
            | Self::Received(_)
            | Self::Classified(_)
            | Self::Amended(_)
            | Self::Used(_)
            | Self::Retired(_)
            | Self::Reassessed(_) => Vec::new(),
        };
        photos.sort_unstable();
        photos.dedup();
        photos
    }
}

fn read(names: &[String]) -> impl Iterator<Item = PhotoDigest> + '_ {
    names.iter().filter_map(|name| name.parse().ok())
}
