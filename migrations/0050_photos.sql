-- Photos: named by the SHA-256 of their bytes, which lie in an object store; what stands here is which there are, how far
-- each upload is, and which entries cite which. An entry never waits for its photos, and a photo that nobody cites yet is
-- kept as well, so that neither table refers to the other.
create table photo (
  sha256       bytea primary key,
  media_type   text not null,
  width        integer not null,
  height       integer not null,
  bytes        bigint not null,
  -- Whether the bytes as they were taken are kept beside the copy for viewing; undecided until a clamp's yard is known.
  original     text not null,
  completed_at timestamptz not null,
  constraint photo_is_named_by_its_digest check (octet_length(sha256) = 32),
  constraint photo_original_is_known check (original in ('undecided', 'kept', 'gone'))
);
create index photo_undecided on photo (sha256) where original = 'undecided';

-- Each uploader sends for themselves: whoever sends other bytes under a photo's name spoils nobody else's upload, and
-- learns of a photo only by sending the whole of it.
create table photo_upload (
  sha256     bytea not null,
  uploader   uuid not null,
  length     bigint not null,
  received   bigint not null default 0,
  touched_at timestamptz not null,
  done_at    timestamptz,
  primary key (sha256, uploader),
  constraint photo_upload_is_named_by_a_digest check (octet_length(sha256) = 32),
  constraint photo_upload_is_within_its_length check (received between 0 and length and length > 0)
);
create index photo_upload_open on photo_upload (uploader) where done_at is null;
create index photo_upload_untouched on photo_upload (touched_at) where done_at is null;

-- The pieces that count, each an object under a name of its own: what two requests wrote at once never mixes.
create table photo_piece (
  sha256    bytea not null,
  uploader  uuid not null,
  starts_at bigint not null,
  bytes     integer not null,
  object    uuid not null,
  primary key (sha256, uploader, starts_at),
  constraint photo_piece_belongs_to_an_upload foreign key (sha256, uploader) references photo_upload on delete cascade,
  constraint photo_piece_is_not_empty check (bytes > 0)
);

-- Written in the transaction of the entry. `pending` is swept up after the photo has come; whoever reads asks for the
-- photo itself, too.
create table photo_citation (
  sha256   bytea not null,
  entry_id uuid not null,
  clamp_id uuid not null,
  yards    uuid[] not null,
  cited_by uuid not null,
  cited_at timestamptz not null,
  pending  boolean not null,
  primary key (sha256, entry_id)
);
create index photo_citation_of_clamp on photo_citation (clamp_id);
create index photo_citation_in_order on photo_citation (cited_at, entry_id, sha256);
create index photo_citation_pending on photo_citation (cited_at, entry_id, sha256) where pending;

alter table photo_citation enable row level security;
create policy photo_citation_door on photo_citation to clampward_door using (true) with check (true);
create policy photo_citation_reader on photo_citation for select to clampward_reader
  using (exists (select from clamp where clamp.id = photo_citation.clamp_id));
grant select, insert, update on photo, photo_citation to clampward_door;
grant select, insert, update, delete on photo_upload, photo_piece to clampward_door;
grant select on photo, photo_citation to clampward_reader;

-- What was cited before.
insert into photo_citation (sha256, entry_id, clamp_id, yards, cited_by, cited_at, pending)
select distinct on (1, 2) decode(cited.photo #>> '{}', 'hex'), l.id, l.stream, l.yards, l.performed_by, l.recorded_at, true
  from ledger as l
 cross join lateral jsonb_path_query(convert_from(l.bytes, 'UTF8')::jsonb, 'strict $.**.photos[*]') as cited(photo)
 where l.kind in ('inspected', 'tagged_out') and position('"photos"'::bytea in l.bytes) > 0;
