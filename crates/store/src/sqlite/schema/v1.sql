-- Journal: what came from the loggers, byte for byte. Rows leave only after the archive holds their samples.
CREATE TABLE journal (
    position    INTEGER PRIMARY KEY AUTOINCREMENT,  -- order of arrival; never used twice
    car         TEXT    NOT NULL REFERENCES cars (id),
    logger      TEXT    NOT NULL,
    boot        INTEGER NOT NULL,
    sequence    INTEGER NOT NULL,
    received_us INTEGER NOT NULL,                   -- host clock, microseconds since the Unix epoch
    logged_us   INTEGER,                            -- logger's own clock
    bytes       BLOB    NOT NULL,                   -- the frame as it came
    link        BLOB    NOT NULL,                   -- SHA-256 over the car's link before and this row
    UNIQUE (logger, boot, sequence)
) STRICT;
CREATE INDEX journal_by_car ON journal (car, position);

-- The last link of each car's chain, so that a cut-off end shows as well.
CREATE TABLE chain_heads (
    car      TEXT    NOT NULL PRIMARY KEY REFERENCES cars (id),
    position INTEGER NOT NULL,
    frames   INTEGER NOT NULL,  -- ever journalled for this car
    link     BLOB    NOT NULL
) STRICT, WITHOUT ROWID;

-- Sequence numbers that were ever journalled, as ranges without holes. They outlive the journal rows.
CREATE TABLE held (
    logger TEXT    NOT NULL,
    boot   INTEGER NOT NULL,
    first  INTEGER NOT NULL,
    last   INTEGER NOT NULL,
    PRIMARY KEY (logger, boot, first)
) STRICT, WITHOUT ROWID;

-- Sequence numbers that the logger no longer has. A frame that turns up after all is still taken.
CREATE TABLE lost (
    logger TEXT    NOT NULL,
    boot   INTEGER NOT NULL,
    first  INTEGER NOT NULL,
    last   INTEGER NOT NULL,
    PRIMARY KEY (logger, boot, first)
) STRICT, WITHOUT ROWID;

CREATE TABLE cars (
    id          TEXT    NOT NULL PRIMARY KEY,
    created_us  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Corrections are additions: the highest revision counts.
CREATE TABLE car_revisions (
    car         TEXT    NOT NULL REFERENCES cars (id),
    revision    INTEGER NOT NULL,
    name        TEXT    NOT NULL,
    profile     TEXT    NOT NULL,
    recorded_us INTEGER NOT NULL,
    PRIMARY KEY (car, revision)
) STRICT, WITHOUT ROWID;

CREATE TABLE profiles (
    profile     TEXT    NOT NULL,
    revision    INTEGER NOT NULL,
    text        TEXT    NOT NULL,
    recorded_us INTEGER NOT NULL,
    PRIMARY KEY (profile, revision)
) STRICT;

-- Which car a logger sits in: the latest row counts for what arrives from then on.
CREATE TABLE attachments (
    number      INTEGER PRIMARY KEY AUTOINCREMENT,
    logger      TEXT    NOT NULL,
    car         TEXT    NOT NULL REFERENCES cars (id),
    attached_us INTEGER NOT NULL
) STRICT;
CREATE INDEX attachments_by_logger ON attachments (logger, number);

CREATE TABLE loggers (
    id           TEXT    NOT NULL PRIMARY KEY,
    last_seen_us INTEGER NOT NULL,  -- latest frame, host clock
    last_boot    INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE exchanges (
    logger      TEXT    NOT NULL,
    boot        INTEGER NOT NULL,
    sent_us     INTEGER NOT NULL,  -- host clock when the question left
    logger_us   INTEGER NOT NULL,  -- logger's clock in the answer
    received_us INTEGER NOT NULL,  -- host clock when the answer came
    PRIMARY KEY (logger, boot, sent_us, logger_us)
) STRICT, WITHOUT ROWID;

CREATE TABLE clock_fits (
    logger     TEXT    NOT NULL,
    boot       INTEGER NOT NULL,
    offset_us  INTEGER NOT NULL,
    drift_ppm  REAL    NOT NULL,
    residual_s REAL    NOT NULL,
    exchanges  INTEGER NOT NULL,
    PRIMARY KEY (logger, boot)
) STRICT, WITHOUT ROWID;

-- Where the judging of a car can go on after a restart.
CREATE TABLE checkpoints (
    car      TEXT    NOT NULL PRIMARY KEY REFERENCES cars (id),
    position INTEGER NOT NULL,  -- every journal row of the car up to here is in `state`
    saved_us INTEGER NOT NULL,
    state    BLOB    NOT NULL
) STRICT;

CREATE TABLE cycles (
    car       TEXT    NOT NULL REFERENCES cars (id),
    start_us  INTEGER NOT NULL,
    end_us    INTEGER NOT NULL,
    direction TEXT    NOT NULL CHECK (direction IN ('opening', 'closing')),
    outcome   TEXT    NOT NULL,
    findings  INTEGER NOT NULL,  -- how many
    worst     INTEGER NOT NULL,  -- heaviest finding: 0 none, 1 note, 2 attend, 3 stop using
    judged    TEXT    NOT NULL,  -- the whole judged cycle as JSON
    PRIMARY KEY (car, start_us)
) STRICT;
CREATE INDEX cycles_by_start ON cycles (start_us);

CREATE TABLE phases (
    car           TEXT    NOT NULL,
    cycle_us      INTEGER NOT NULL,
    place         INTEGER NOT NULL,  -- in the order they were run
    direction     TEXT    NOT NULL CHECK (direction IN ('opening', 'closing')),
    step          INTEGER NOT NULL,  -- place in the profile's sequence, from 0
    name          TEXT    NOT NULL,
    start_us      INTEGER NOT NULL,
    duration_s    REAL    NOT NULL,
    u_duration_s  REAL    NOT NULL,
    confirmation  TEXT    NOT NULL,
    corrected_s   REAL,              -- duration at the profile's reference conditions
    oil_celsius   REAL,
    supply_volts  REAL,
    PRIMARY KEY (car, cycle_us, place),
    FOREIGN KEY (car, cycle_us) REFERENCES cycles (car, start_us) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;
CREATE INDEX phases_by_step ON phases (car, direction, step, cycle_us);

CREATE TABLE measures (
    car      TEXT    NOT NULL,
    cycle_us INTEGER NOT NULL,
    place    INTEGER NOT NULL,
    phase    INTEGER,           -- place of the phase it was measured in; null: the whole cycle
    name     TEXT    NOT NULL,
    value    REAL    NOT NULL,
    u        REAL,
    unit     TEXT    NOT NULL,
    PRIMARY KEY (car, cycle_us, place),
    FOREIGN KEY (car, cycle_us) REFERENCES cycles (car, start_us) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;
CREATE INDEX measures_by_name ON measures (car, name, cycle_us);

CREATE TABLE findings (
    car      TEXT    NOT NULL,
    at_us    INTEGER NOT NULL,
    kind     TEXT    NOT NULL,
    signal   TEXT    NOT NULL,  -- empty: none
    phase    TEXT    NOT NULL,  -- empty: none
    cycle_us INTEGER,           -- null: belongs to no cycle
    place    INTEGER NOT NULL,  -- within its cycle
    weight   INTEGER NOT NULL CHECK (weight BETWEEN 1 AND 3),  -- 1 note, 2 attend, 3 stop using
    value    REAL,
    unit     TEXT    NOT NULL,
    limit_   REAL,
    message  TEXT    NOT NULL,
    FOREIGN KEY (car, cycle_us) REFERENCES cycles (car, start_us) ON DELETE CASCADE
) STRICT;
CREATE UNIQUE INDEX findings_of_cycle ON findings (car, cycle_us, place) WHERE cycle_us IS NOT NULL;
CREATE UNIQUE INDEX findings_alone ON findings (car, at_us, kind, signal, phase) WHERE cycle_us IS NULL;
CREATE INDEX findings_by_time ON findings (car, at_us);

-- What people wrote: service done, notes, results of checks. Nothing is changed, only added to.
CREATE TABLE entries (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    car         TEXT    NOT NULL REFERENCES cars (id),
    kind        TEXT    NOT NULL CHECK (kind IN ('service', 'note', 'check')),
    at_us       INTEGER NOT NULL,  -- when it happened
    written_us  INTEGER NOT NULL,
    author      TEXT    NOT NULL,
    cycle_us    INTEGER,           -- the cycle it is about
    subject     TEXT    NOT NULL,  -- what was done, or which check
    result      TEXT    NOT NULL,  -- what came of it
    text        TEXT    NOT NULL,
    corrects    INTEGER REFERENCES entries (id)
) STRICT;
CREATE INDEX entries_by_car ON entries (car, at_us);
