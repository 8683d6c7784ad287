//! Bulletins on the wire.

use crate::reply::{Cells, Columns};
use clampward_domain::bulletin::{Bulletin, InScopeBecause};
use clampward_domain::ids::{BulletinId, ClampId, EntryId, LockoutId, PersonId, YardId};
use clampward_domain::words::Ground;
use clampward_store::bulletins::{
    Accounted, BulletinClamp, BulletinRecord, Preview, PreviewCounts, Progress, YardProgress,
};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A safety bulletin.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct BulletinView {
    /// Its id.
    pub id: BulletinId,
    /// When it was opened.
    pub opened_at: Timestamp,
    /// By whom.
    pub opened_by: PersonId,
    /// When every clamp that was there then had been gone through; null while it is being carried out.
    #[schema(required = true)]
    pub held_at: Option<Timestamp>,
    /// When it was closed; null while it is open.
    #[schema(required = true)]
    pub closed_at: Option<Timestamp>,
    /// By whom; null while it is open.
    #[schema(required = true)]
    pub closed_by: Option<PersonId>,
    /// What it says.
    pub bulletin: Bulletin,
}

impl From<BulletinRecord> for BulletinView {
    fn from(record: BulletinRecord) -> Self {
        Self {
            id: record.id,
            opened_at: record.opened_at,
            opened_by: record.opened_by,
            held_at: record.held_at,
            closed_at: record.closed_at,
            closed_by: record.closed_by,
            bulletin: record.bulletin,
        }
    }
}

impl Columns for BulletinView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "issued_by",
        "code",
        "title",
        "class",
        "issued_on",
        "opened_at",
        "opened_by",
        "held_at",
        "closed_at",
        "closed_by",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.id)
            .text(&self.bulletin.issued_by)
            .text(&self.bulletin.code)
            .text(&self.bulletin.title)
            .plain(self.bulletin.class)
            .plain(self.bulletin.issued_on)
            .plain(self.opened_at)
            .plain(self.opened_by)
            .maybe(self.held_at)
            .maybe(self.closed_at)
            .maybe(self.closed_by);
    }
}

/// What a clamp that a bulletin holds has come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AccountedFor {
    /// It was scrapped.
    Scrapped,
    /// A return to service named the bulletin's lock-out.
    Returned,
    /// It could not be found; a named person looks for it until a day that is not over. Its lock-out stays open.
    NotFound,
    /// Nothing of this yet.
    Outstanding,
}

impl From<Accounted> for AccountedFor {
    fn from(accounted: Accounted) -> Self {
        match accounted {
            Accounted::Scrapped => Self::Scrapped,
            Accounted::Returned => Self::Returned,
            Accounted::NotFound => Self::NotFound,
            Accounted::Outstanding => Self::Outstanding,
        }
    }
}

impl From<AccountedFor> for Accounted {
    fn from(accounted: AccountedFor) -> Self {
        match accounted {
            AccountedFor::Scrapped => Self::Scrapped,
            AccountedFor::Returned => Self::Returned,
            AccountedFor::NotFound => Self::NotFound,
            AccountedFor::Outstanding => Self::Outstanding,
        }
    }
}

/// Clamps that a bulletin holds, by what they have come to.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
pub struct AccountedCounts {
    /// Scrapped.
    pub scrapped: u64,
    /// Returned to service.
    pub returned: u64,
    /// Not found; somebody looks for them.
    pub not_found: u64,
    /// Not accounted for.
    pub outstanding: u64,
}

impl From<YardProgress> for AccountedCounts {
    fn from(counts: YardProgress) -> Self {
        Self {
            scrapped: counts.scrapped,
            returned: counts.returned,
            not_found: counts.not_found,
            outstanding: counts.outstanding,
        }
    }
}

/// The clamps of a yard.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
pub struct YardAccounted {
    /// The yard.
    pub yard_id: YardId,
    /// Its clamps; one that stands in two yards counts in both.
    pub clamps: AccountedCounts,
}

/// How far a bulletin has come, in your yards.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct BulletinProgress {
    /// The bulletin.
    pub bulletin_id: BulletinId,
    /// Whether it can be closed: everything is accounted for, as far as you see it.
    pub complete: bool,
    /// Whether every clamp that was there when it was opened has been gone through.
    pub held: bool,
    /// Whether what was registered or identified otherwise since then has been looked at to the end.
    pub caught_up: bool,
    /// Clamps that the service could not hold: keep them from use by hand.
    #[schema(max_items = 100_000)]
    pub not_held: Vec<ClampId>,
    /// All clamps that it holds, each once.
    pub clamps: AccountedCounts,
    /// By yard.
    #[schema(max_items = 1000)]
    pub yards: Vec<YardAccounted>,
    /// Of information: the yards that have not said that they read it.
    #[schema(max_items = 1000)]
    pub unread: Vec<YardId>,
}

impl BulletinProgress {
    pub fn of(bulletin_id: BulletinId, progress: Progress) -> Self {
        Self {
            bulletin_id,
            complete: progress.is_complete(),
            held: progress.is_held,
            caught_up: progress.is_caught_up,
            not_held: progress.failed,
            clamps: progress.all.into(),
            yards: progress
                .yards
                .into_iter()
                .map(|(yard_id, clamps)| YardAccounted {
                    yard_id,
                    clamps: clamps.into(),
                })
                .collect(),
            unread: progress.unread,
        }
    }
}

/// A clamp that a bulletin holds, with what shows that it is accounted for.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct HeldClamp {
    /// The clamp.
    pub clamp_id: ClampId,
    /// Its mark; null if it bears none.
    #[schema(required = true)]
    pub asset_mark: Option<String>,
    /// Its serial number; null if it is not known.
    #[schema(required = true)]
    pub serial_number: Option<String>,
    /// Where it is.
    #[schema(max_items = 1000)]
    pub yards: Vec<YardId>,
    /// The lock-out.
    pub lockout_id: LockoutId,
    /// The tag-out that opened it; its note says why the clamp is in scope.
    pub held_by: EntryId,
    /// Since when.
    pub held_at: Timestamp,
    /// What it has come to.
    pub accounted: AccountedFor,
    /// The return to service that closed the lock-out; null while it is open.
    #[schema(required = true)]
    pub returned_by: Option<EntryId>,
    /// On what ground; null while it is open.
    #[schema(required = true)]
    pub ground: Option<Ground>,
    /// When it was retired; null if it is not.
    #[schema(required = true)]
    pub retired_at: Option<Timestamp>,
    /// Who looks for it; null if nobody has to.
    #[schema(required = true)]
    pub owner: Option<PersonId>,
    /// Until when; null if nobody has to.
    #[schema(required = true)]
    pub look_until: Option<Date>,
}

impl From<BulletinClamp> for HeldClamp {
    fn from(clamp: BulletinClamp) -> Self {
        Self {
            clamp_id: clamp.clamp,
            asset_mark: clamp.asset_mark,
            serial_number: clamp.serial_number,
            yards: clamp.yards,
            lockout_id: clamp.lockout,
            held_by: clamp.held_by,
            held_at: clamp.held_at,
            accounted: clamp.accounted.into(),
            returned_by: clamp.returned_by.map(|(entry, _)| entry),
            ground: clamp.returned_by.map(|(_, ground)| ground),
            retired_at: clamp.retired_at,
            owner: clamp.looked_for.map(|(owner, _)| owner),
            look_until: clamp.looked_for.map(|(_, day)| day),
        }
    }
}

impl Columns for HeldClamp {
    const NAMES: &'static [&'static str] = &[
        "clamp_id",
        "asset_mark",
        "serial_number",
        "yards",
        "lockout_id",
        "held_by",
        "held_at",
        "accounted",
        "returned_by",
        "ground",
        "retired_at",
        "owner",
        "look_until",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        let accounted = match self.accounted {
            AccountedFor::Scrapped => "scrapped",
            AccountedFor::Returned => "returned",
            AccountedFor::NotFound => "not_found",
            AccountedFor::Outstanding => "outstanding",
        };
        row.plain(self.clamp_id)
            .maybe_text(self.asset_mark.as_deref())
            .maybe_text(self.serial_number.as_deref())
            .words(&self.yards)
            .plain(self.lockout_id)
            .plain(self.held_by)
            .plain(self.held_at)
            .plain(accounted)
            .maybe(self.returned_by)
            .maybe(self.ground)
            .maybe(self.retired_at)
            .maybe(self.owner)
            .maybe(self.look_until);
    }
}

/// Clamps in scope for one reason.
#[derive(Clone, Copy, Debug, Serialize, ToSchema)]
pub struct InScopeCount {
    /// Why they are in scope.
    pub because: InScopeBecause,
    /// How many.
    pub clamps: u64,
}

/// Clamps in scope.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct InScopeCounts {
    /// All of them.
    pub in_scope: u64,
    /// By why.
    #[schema(max_items = 10)]
    pub because: Vec<InScopeCount>,
    /// Those of them that a lock-out bars already.
    pub barred_already: u64,
}

impl From<PreviewCounts> for InScopeCounts {
    fn from(counts: PreviewCounts) -> Self {
        let because = counts.because.into_iter();
        Self {
            in_scope: counts.in_scope,
            because: because
                .map(|(because, clamps)| InScopeCount { because, clamps })
                .collect(),
            barred_already: counts.barred,
        }
    }
}

/// The clamps of a yard that are in scope.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct YardInScope {
    /// The yard.
    pub yard_id: YardId,
    /// Its clamps; one that stands in two yards counts in both.
    pub clamps: InScopeCounts,
}

/// What a bulletin would hold at this moment.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct BulletinPreview {
    /// All clamps in scope, each once.
    pub clamps: InScopeCounts,
    /// By yard.
    #[schema(max_items = 1000)]
    pub yards: Vec<YardInScope>,
}

impl From<Preview> for BulletinPreview {
    fn from(preview: Preview) -> Self {
        Self {
            clamps: preview.all.into(),
            yards: preview
                .yards
                .into_iter()
                .map(|(yard_id, clamps)| YardInScope {
                    yard_id,
                    clamps: clamps.into(),
                })
                .collect(),
        }
    }
}
