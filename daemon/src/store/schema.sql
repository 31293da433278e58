-- Schema of the store. Times are microseconds since 1970-01-01T00:00:00Z.

-- Every file, or piece of a growing file, and what became of it.
CREATE TABLE file (
    id INTEGER PRIMARY KEY,
    feed TEXT NOT NULL,
    path TEXT NOT NULL,
    hash BLOB NOT NULL,
    from_byte INTEGER NOT NULL,
    to_byte INTEGER NOT NULL,
    verdict TEXT NOT NULL CHECK (verdict IN
        ('accepted', 'accepted_with_rejects', 'duplicate', 'quarantined')),
    rows_read INTEGER NOT NULL,
    rows_used INTEGER NOT NULL,
    rows_rejected INTEGER NOT NULL,
    rows_duplicate INTEGER NOT NULL,
    first_at INTEGER,
    last_at INTEGER,
    received_at INTEGER NOT NULL,
    code TEXT,
    reason TEXT,
    fix TEXT,
    CHECK (rows_read = rows_used + rows_rejected + rows_duplicate)
);
-- Content counts once, whatever its name.
CREATE UNIQUE INDEX file_content ON file (hash)
    WHERE verdict IN ('accepted', 'accepted_with_rejects');
CREATE INDEX file_by_time ON file (received_at);

-- How far each path has been read.
CREATE TABLE path (
    feed TEXT NOT NULL,
    path TEXT NOT NULL,
    length INTEGER NOT NULL,
    modified_ns INTEGER NOT NULL,
    consumed INTEGER NOT NULL,
    hash BLOB NOT NULL,
    PRIMARY KEY (feed, path)
) WITHOUT ROWID;

-- Rows that could not be used.
CREATE TABLE reject (
    file INTEGER NOT NULL REFERENCES file (id),
    line INTEGER NOT NULL,
    code TEXT NOT NULL,
    place TEXT,
    reason TEXT NOT NULL,
    text TEXT NOT NULL
);
CREATE INDEX reject_by_file ON reject (file);

-- One visit of a board at a station. `reviewed` counts the reviews that came after their calls,
-- `source` names the file that brought its rows (0 where several did), and its rows lie in segments
-- of the entries of the chain from `first_entry` to `last_entry`.
CREATE TABLE unit (
    feed TEXT NOT NULL,
    unit TEXT NOT NULL,
    attempt INTEGER NOT NULL,
    at INTEGER NOT NULL,
    product TEXT NOT NULL,
    rows INTEGER NOT NULL,
    calls INTEGER NOT NULL,
    confirmed INTEGER NOT NULL,
    false_calls INTEGER NOT NULL,
    opportunities INTEGER NOT NULL,
    reviewed INTEGER NOT NULL,
    source INTEGER NOT NULL,
    first_entry INTEGER NOT NULL,
    last_entry INTEGER NOT NULL,
    PRIMARY KEY (feed, unit, attempt)
) WITHOUT ROWID;
CREATE INDEX unit_by_time ON unit (at);

-- What was called, counted by unit and place.
CREATE TABLE defect (
    feed TEXT NOT NULL,
    unit TEXT NOT NULL,
    attempt INTEGER NOT NULL,
    component TEXT NOT NULL,
    pin TEXT NOT NULL,
    defect TEXT NOT NULL,
    review INTEGER NOT NULL,
    count INTEGER NOT NULL,
    PRIMARY KEY (feed, unit, attempt, component, pin, defect, review)
) WITHOUT ROWID;

CREATE TABLE stream (
    id INTEGER PRIMARY KEY,
    characteristic TEXT NOT NULL,
    keys TEXT NOT NULL,
    label TEXT NOT NULL UNIQUE,
    newest INTEGER NOT NULL,
    settled_through INTEGER NOT NULL,
    state TEXT NOT NULL,
    note TEXT
);

CREATE TABLE point (
    stream INTEGER NOT NULL REFERENCES stream (id),
    at INTEGER NOT NULL,
    unit TEXT NOT NULL,
    kind INTEGER NOT NULL,
    size REAL NOT NULL,
    value REAL NOT NULL,
    spread REAL,
    version INTEGER NOT NULL,
    baseline INTEGER NOT NULL,
    signals TEXT NOT NULL,
    content BLOB NOT NULL,
    setup TEXT NOT NULL,
    PRIMARY KEY (stream, at, unit, kind)
) WITHOUT ROWID;

CREATE TABLE limits (
    stream INTEGER NOT NULL REFERENCES stream (id),
    version INTEGER NOT NULL,
    from_at INTEGER NOT NULL,
    from_unit TEXT NOT NULL,
    to_at INTEGER NOT NULL,
    to_unit TEXT NOT NULL,
    numbers TEXT NOT NULL,
    author TEXT NOT NULL,
    reason TEXT NOT NULL,
    set_at INTEGER NOT NULL,
    PRIMARY KEY (stream, version)
) WITHOUT ROWID;

-- A stream out of control: its first signal and all that follow before it is quiet again. `alert`
-- is the one it belongs to.
CREATE TABLE episode (
    id INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES stream (id),
    first_at INTEGER NOT NULL,
    first_unit TEXT NOT NULL,
    last_at INTEGER NOT NULL,
    signals INTEGER NOT NULL,
    rules TEXT NOT NULL,
    side TEXT NOT NULL,
    size_sigma REAL NOT NULL,
    size_value REAL NOT NULL,
    returned_at INTEGER,
    revised INTEGER NOT NULL DEFAULT 0,
    alert INTEGER REFERENCES alert (id),
    UNIQUE (stream, first_at, first_unit)
);
CREATE INDEX episode_by_time ON episode (first_at);
CREATE INDEX episode_by_alert ON episode (alert);

-- When an episode most likely began, where what signalled first tells that itself.
CREATE TABLE episode_since (
    episode INTEGER PRIMARY KEY REFERENCES episode (id),
    since INTEGER NOT NULL
);

-- Episodes with one cause. `first_at` and `returned_at` are the event times of its first and its
-- last episode, `lead` is the episode that says most; `told_sigma` and `told_members` are how far
-- and how many had moved when it was last told. `suppressed` says why nobody is called for it.
-- `closed_through` is the newest event at its closing. All other times are by the clock.
CREATE TABLE alert (
    id INTEGER PRIMARY KEY,
    lead INTEGER NOT NULL REFERENCES episode (id),
    first_at INTEGER NOT NULL,
    returned_at INTEGER,
    severity INTEGER NOT NULL,
    raised_at INTEGER NOT NULL,
    revised INTEGER NOT NULL DEFAULT 0,
    merged_into INTEGER REFERENCES alert (id),
    told_sigma REAL NOT NULL,
    told_members INTEGER NOT NULL,
    acknowledged_at INTEGER,
    acknowledged_by TEXT,
    comment TEXT,
    suppressed TEXT,
    shelved_until INTEGER,
    escalated_at INTEGER,
    reminded_at INTEGER,
    closed_at INTEGER,
    closed_by TEXT,
    cause TEXT,
    action TEXT,
    closed_through INTEGER,
    verified_at INTEGER
);
CREATE INDEX alert_by_time ON alert (first_at);
CREATE INDEX alert_to_verify ON alert (closed_at) WHERE verified_at IS NULL;

-- Streams that people took out of service, and back into it.
CREATE TABLE service (
    id INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES stream (id),
    what TEXT NOT NULL CHECK (what IN ('out of service', 'in service')),
    at INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL
);
CREATE INDEX service_by_stream ON service (stream);

-- Who did what to an alert, and what befell it. `told` says whether it has left for the channels,
-- `quiet` whether it is for the record only.
CREATE TABLE alert_event (
    id INTEGER PRIMARY KEY,
    alert INTEGER NOT NULL REFERENCES alert (id),
    at INTEGER NOT NULL,
    what TEXT NOT NULL,
    who TEXT NOT NULL,
    comment TEXT NOT NULL,
    quiet INTEGER NOT NULL DEFAULT 0,
    told INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX alert_event_untold ON alert_event (told) WHERE told = 0;
CREATE INDEX alert_event_by_alert ON alert_event (alert);

-- What people asked of streams. `at` is the event time from which it holds.
CREATE TABLE request (
    id INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES stream (id),
    kind TEXT NOT NULL CHECK (kind IN ('freeze', 'restart')),
    at INTEGER NOT NULL,
    author TEXT NOT NULL,
    reason TEXT NOT NULL,
    asked_at INTEGER NOT NULL,
    taken INTEGER NOT NULL DEFAULT 0
);

-- What is remembered of the single pads of a stream that is watched pad by pad, settled through the
-- event time that the stream is.
CREATE TABLE pad_state (
    stream INTEGER PRIMARY KEY REFERENCES stream (id),
    settled_through INTEGER NOT NULL,
    state BLOB NOT NULL
);

-- The list of its pads that moved, after the panel at a time: how many were judged, how many are on
-- the list beyond those in `pad_listed`, and how many readings were left out.
CREATE TABLE pad_list (
    stream INTEGER PRIMARY KEY REFERENCES stream (id),
    at INTEGER NOT NULL,
    tested INTEGER NOT NULL,
    more INTEGER NOT NULL,
    left_out INTEGER NOT NULL
);
CREATE TABLE pad_listed (
    stream INTEGER NOT NULL REFERENCES stream (id),
    rank INTEGER NOT NULL,
    product TEXT NOT NULL,
    position TEXT NOT NULL,
    component TEXT NOT NULL,
    pin TEXT NOT NULL,
    change REAL NOT NULL,
    change_sigma REAL NOT NULL,
    since INTEGER NOT NULL,
    p REAL NOT NULL,
    adjusted REAL NOT NULL,
    PRIMARY KEY (stream, rank)
) WITHOUT ROWID;

-- Changes of limits that have to be approved before they are asked for. Without `from_at` one holds
-- from the newest point when it is approved.
CREATE TABLE proposal (
    id INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES stream (id),
    kind TEXT NOT NULL CHECK (kind IN ('freeze', 'restart')),
    from_at INTEGER,
    at INTEGER NOT NULL,
    author TEXT NOT NULL,
    reason TEXT NOT NULL
);

-- What became of them; `request` is what was asked for then.
CREATE TABLE decision (
    id INTEGER PRIMARY KEY,
    proposal INTEGER NOT NULL UNIQUE REFERENCES proposal (id),
    what TEXT NOT NULL CHECK (what IN ('approved', 'rejected')),
    at INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL,
    request INTEGER REFERENCES request (id)
);

-- Segments of the archive that a committed transaction stands for, with the BLAKE3 digest of their
-- bytes and the entry of the chain that brought them.
CREATE TABLE segment (
    path TEXT PRIMARY KEY,
    rows INTEGER NOT NULL,
    digest BLOB NOT NULL,
    entry INTEGER NOT NULL
) WITHOUT ROWID;

-- Shift reports that were written.
CREATE TABLE report (
    shift_start INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    path TEXT NOT NULL,
    digest BLOB NOT NULL,
    PRIMARY KEY (shift_start, revision)
) WITHOUT ROWID;

-- The figures of each revision as JSON, for the next one to tell what differs and for the next
-- shift to tell what it took over.
CREATE TABLE report_figures (
    shift_start INTEGER NOT NULL,
    revision INTEGER NOT NULL,
    figures TEXT NOT NULL,
    PRIMARY KEY (shift_start, revision)
) WITHOUT ROWID;

-- When nothing came from a feed that should have.
CREATE TABLE silence (
    id INTEGER PRIMARY KEY,
    feed TEXT NOT NULL,
    since INTEGER NOT NULL,
    raised_at INTEGER NOT NULL,
    returned_at INTEGER
);

-- Who has seen that a feed is silent, and what they do about it.
CREATE TABLE silence_seen (
    id INTEGER PRIMARY KEY,
    silence INTEGER NOT NULL REFERENCES silence (id),
    at INTEGER NOT NULL,
    who TEXT NOT NULL,
    comment TEXT NOT NULL
);
CREATE INDEX silence_seen_by_silence ON silence_seen (silence);

-- Entries of feeds' folders that look like their files and are never read, such as links.
CREATE TABLE ignored (
    feed TEXT NOT NULL,
    name TEXT NOT NULL,
    what TEXT NOT NULL,
    seen_at INTEGER NOT NULL,
    PRIMARY KEY (feed, name)
) WITHOUT ROWID;

-- What people did about files that were set aside.
CREATE TABLE quarantine (
    id INTEGER PRIMARY KEY,
    file INTEGER NOT NULL REFERENCES file (id),
    what TEXT NOT NULL CHECK (what IN ('retry', 'discard')),
    at INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL
);

-- Alerts of the system itself: what hindered the program, by the clock.
CREATE TABLE trouble (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    words TEXT NOT NULL,
    raised_at INTEGER NOT NULL,
    returned_at INTEGER
);

-- What was let go by age: readings (whole days of the archive) or points, before which event time
-- and how many. The segments that went stay named in `segment`.
CREATE TABLE purge (
    id INTEGER PRIMARY KEY,
    class TEXT NOT NULL CHECK (class IN ('readings', 'points')),
    before INTEGER NOT NULL,
    count INTEGER NOT NULL,
    at INTEGER NOT NULL
);
CREATE TABLE purged_segment (
    path TEXT PRIMARY KEY REFERENCES segment (path)
) WITHOUT ROWID;

-- What was written, when and by whom: one row a transaction. `files` is the highest file so far,
-- `setting` the digest of what makes points of rows, `content` the sum of the digests of the new
-- rows of file, reject and segment, `state` the digest of `balance` after the transaction, `digest`
-- that of the row before and of all of this one.
CREATE TABLE chain (
    seq INTEGER PRIMARY KEY,
    at INTEGER NOT NULL,
    kind TEXT NOT NULL,
    who TEXT NOT NULL,
    subject TEXT NOT NULL,
    reason TEXT NOT NULL,
    files INTEGER NOT NULL,
    setting BLOB NOT NULL,
    content BLOB NOT NULL,
    state BLOB NOT NULL,
    digest BLOB NOT NULL
);
CREATE INDEX chain_reloaded ON chain (at) WHERE kind = 'reloaded';

-- The rows of every other table: how many, and the sum of their digests.
CREATE TABLE balance (
    name TEXT PRIMARY KEY,
    rows INTEGER NOT NULL,
    sum BLOB NOT NULL
) WITHOUT ROWID;

-- News for people and programs outside, as they leave: written once, with a key that stays the
-- same however often they are sent. `streams` is a JSON list of labels, `body` a JSON object.
-- `channel` is set where a notice is for one channel only, as the summary of others is.
CREATE TABLE notice (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    alert INTEGER REFERENCES alert (id),
    kind TEXT NOT NULL,
    at INTEGER NOT NULL,
    line TEXT NOT NULL,
    severity TEXT NOT NULL DEFAULT 'medium' CHECK (severity IN ('low', 'medium', 'high')),
    state TEXT NOT NULL,
    streams TEXT NOT NULL,
    subject TEXT NOT NULL,
    text TEXT NOT NULL,
    body TEXT NOT NULL,
    channel TEXT
);

-- How each channel stands: notices up to `routed` were looked at for it. `failures` counts the
-- attempts that failed since one that did not; `problem` and `fix` are of the last of them.
CREATE TABLE channel (
    name TEXT PRIMARY KEY,
    kind TEXT NOT NULL,
    routed INTEGER NOT NULL,
    sent_at INTEGER,
    failures INTEGER NOT NULL DEFAULT 0,
    failing_since INTEGER,
    next_at INTEGER NOT NULL DEFAULT 0,
    problem TEXT NOT NULL DEFAULT '',
    fix TEXT NOT NULL DEFAULT ''
) WITHOUT ROWID;

-- What becomes of a notice at a channel. `summary` is the notice that stands for it where it was
-- summed up with others.
CREATE TABLE delivery (
    id INTEGER PRIMARY KEY,
    notice INTEGER NOT NULL REFERENCES notice (id),
    channel TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'summed', 'discarded')),
    attempts INTEGER NOT NULL DEFAULT 0,
    next_at INTEGER NOT NULL DEFAULT 0,
    changed_at INTEGER NOT NULL,
    problem TEXT NOT NULL DEFAULT '',
    fix TEXT NOT NULL DEFAULT '',
    summary INTEGER REFERENCES notice (id),
    UNIQUE (channel, notice)
);
CREATE INDEX delivery_waiting ON delivery (channel, notice) WHERE state = 'waiting';
CREATE INDEX delivery_sent ON delivery (channel, changed_at) WHERE state = 'sent';
CREATE INDEX delivery_summed ON delivery (summary) WHERE state = 'summed';

-- The recipients that a delivery has still to reach, where others have it; all where none is here.
CREATE TABLE delivery_left (
    delivery INTEGER NOT NULL REFERENCES delivery (id),
    address TEXT NOT NULL,
    PRIMARY KEY (delivery, address)
) WITHOUT ROWID;

-- What people did about deliveries.
CREATE TABLE delivery_act (
    id INTEGER PRIMARY KEY,
    delivery INTEGER NOT NULL REFERENCES delivery (id),
    what TEXT NOT NULL CHECK (what IN ('send again', 'give up')),
    at INTEGER NOT NULL,
    who TEXT NOT NULL,
    reason TEXT NOT NULL
);
