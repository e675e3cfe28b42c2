-- Version 1. Hashed bytes are never touched by a later migration: only projections and indexes may change.
CREATE TABLE journal (
    one             INTEGER PRIMARY KEY CHECK (one = 1),
    journal_id      BLOB NOT NULL,
    created_wall_us INTEGER NOT NULL
) STRICT;
CREATE TABLE genesis (
    strand TEXT PRIMARY KEY,
    hash   BLOB NOT NULL
) STRICT;
CREATE TABLE record (
    seq     INTEGER PRIMARY KEY,
    boot_id BLOB NOT NULL,
    kind    TEXT NOT NULL,
    mono_us INTEGER NOT NULL,
    wall_us INTEGER NOT NULL,
    flags   INTEGER NOT NULL,
    body    BLOB NOT NULL,
    hash    BLOB NOT NULL
) STRICT;
CREATE INDEX record_kind ON record (kind);
CREATE INDEX record_wall ON record (wall_us);
CREATE TABLE image (
    seq     INTEGER PRIMARY KEY,
    boot_id BLOB NOT NULL,
    kind    TEXT NOT NULL,
    mono_us INTEGER NOT NULL,
    wall_us INTEGER NOT NULL,
    flags   INTEGER NOT NULL,
    body    BLOB NOT NULL,
    hash    BLOB NOT NULL
) STRICT;
CREATE INDEX image_kind ON image (kind);
CREATE INDEX image_wall ON image (wall_us);
CREATE TABLE seal (
    strand         TEXT NOT NULL,
    segment        INTEGER NOT NULL,
    first_seq      INTEGER NOT NULL,
    last_seq       INTEGER NOT NULL,
    count          INTEGER NOT NULL,
    bytes          INTEGER NOT NULL,
    before_hash    BLOB NOT NULL,
    head_hash      BLOB NOT NULL,
    sealed_wall_us INTEGER NOT NULL,
    dropped        INTEGER NOT NULL,
    prior_hash     BLOB NOT NULL,
    hash           BLOB NOT NULL,
    present        INTEGER NOT NULL,  -- 1 while its entries are here; not hashed, proved by journal_drop entries
    PRIMARY KEY (strand, segment)
) STRICT;
