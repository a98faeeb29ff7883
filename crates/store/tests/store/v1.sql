-- A store of schema 1, as the program of that time wrote it.
PRAGMA application_id = 1181707364;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE attachments (
    number      INTEGER PRIMARY KEY AUTOINCREMENT,
    logger      TEXT    NOT NULL,
    car         TEXT    NOT NULL REFERENCES cars (id),
    attached_us INTEGER NOT NULL
) STRICT;
INSERT INTO "attachments" VALUES(1,'L1','oak',6);
INSERT INTO "attachments" VALUES(2,'L2','elm',7);
CREATE TABLE car_revisions (
    car         TEXT    NOT NULL REFERENCES cars (id),
    revision    INTEGER NOT NULL,
    name        TEXT    NOT NULL,
    profile     TEXT    NOT NULL,
    recorded_us INTEGER NOT NULL,
    PRIMARY KEY (car, revision)
) STRICT, WITHOUT ROWID;
INSERT INTO "car_revisions" VALUES('elm',1,'Elm','two-valve',1764000000000000);
INSERT INTO "car_revisions" VALUES('oak',1,'Oak','two-valve',1764000000000000);
INSERT INTO "car_revisions" VALUES('oak',2,'Old oak','two-valve',1764000001000000);
CREATE TABLE cars (
    id          TEXT    NOT NULL PRIMARY KEY,
    created_us  INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO "cars" VALUES('elm',1764000000000000);
INSERT INTO "cars" VALUES('oak',1764000000000000);
CREATE TABLE chain_heads (
    car      TEXT    NOT NULL PRIMARY KEY REFERENCES cars (id),
    position INTEGER NOT NULL,
    frames   INTEGER NOT NULL,  -- ever journalled for this car
    link     BLOB    NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO "chain_heads" VALUES('elm',3,1,X'8A7E369EA3E368E1FE67EAE0DC84F4AE949E9E7E18EE5446F60A1905A9BD3EBE');
INSERT INTO "chain_heads" VALUES('oak',5,4,X'1055CA782BE643B71EB99229010679D08A1F99540BD096085330A7F22143B1B3');
CREATE TABLE checkpoints (
    car      TEXT    NOT NULL PRIMARY KEY REFERENCES cars (id),
    position INTEGER NOT NULL,  -- every journal row of the car up to here is in `state`
    saved_us INTEGER NOT NULL,
    state    BLOB    NOT NULL
) STRICT;
INSERT INTO "checkpoints" VALUES('oak',4,9,X'010203');
CREATE TABLE clock_fits (
    logger     TEXT    NOT NULL,
    boot       INTEGER NOT NULL,
    offset_us  INTEGER NOT NULL,
    drift_ppm  REAL    NOT NULL,
    residual_s REAL    NOT NULL,
    exchanges  INTEGER NOT NULL,
    PRIMARY KEY (logger, boot)
) STRICT, WITHOUT ROWID;
INSERT INTO "clock_fits" VALUES('L1',2,1764000000000000,12.5,0.0004,1);
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
INSERT INTO "cycles" VALUES('oak',1764000005000000,1764000025000000,'opening','completed',1,2,'{}');
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
INSERT INTO "entries" VALUES(1,'oak','note',8,9,'Ada',NULL,'','','Rattles when cold.',NULL);
CREATE TABLE exchanges (
    logger      TEXT    NOT NULL,
    boot        INTEGER NOT NULL,
    sent_us     INTEGER NOT NULL,  -- host clock when the question left
    logger_us   INTEGER NOT NULL,  -- logger's clock in the answer
    received_us INTEGER NOT NULL,  -- host clock when the answer came
    PRIMARY KEY (logger, boot, sent_us, logger_us)
) STRICT, WITHOUT ROWID;
INSERT INTO "exchanges" VALUES('L1',2,10,11,12);
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
INSERT INTO "findings" VALUES('oak',1764000010000000,'missing-confirmation','lid_up','lid up',1764000005000000,0,2,4.5,'s',3.0,'The lid''s switch did not confirm.');
INSERT INTO "findings" VALUES('oak',1764000020000000,'recording-gap','','',NULL,0,1,NULL,'',NULL,'2 s are missing.');
CREATE TABLE held (
    logger TEXT    NOT NULL,
    boot   INTEGER NOT NULL,
    first  INTEGER NOT NULL,
    last   INTEGER NOT NULL,
    PRIMARY KEY (logger, boot, first)
) STRICT, WITHOUT ROWID;
INSERT INTO "held" VALUES('L1',2,0,1);
INSERT INTO "held" VALUES('L1',2,3,3);
INSERT INTO "held" VALUES('L1',2,5,5);
INSERT INTO "held" VALUES('L2',2,4,4);
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
INSERT INTO "journal" VALUES(1,'oak','L1',2,0,1764000002000000,0,X'6672616D652030',X'F8F8C5FD080506CFA8356B75B64364A9F6070C2B702CEB6159FFBFF5D5A9E819');
INSERT INTO "journal" VALUES(2,'oak','L1',2,1,1764000002000001,1000,X'6672616D652031',X'530B9ED41F8733FD82AAE768E7D182E03A569B483A04AA8527E9A30C132546D5');
INSERT INTO "journal" VALUES(3,'elm','L2',2,4,1764000002000004,4000,X'6672616D652034',X'8A7E369EA3E368E1FE67EAE0DC84F4AE949E9E7E18EE5446F60A1905A9BD3EBE');
INSERT INTO "journal" VALUES(4,'oak','L1',2,3,1764000002000003,3000,X'6672616D652033',X'6F9D8AFE40A3A9FA040E6AC8FDAC79C3D58A51B1881F5E3B566C30F2009D0556');
INSERT INTO "journal" VALUES(5,'oak','L1',2,5,1764000002000005,5000,X'6672616D652035',X'1055CA782BE643B71EB99229010679D08A1F99540BD096085330A7F22143B1B3');
CREATE TABLE loggers (
    id           TEXT    NOT NULL PRIMARY KEY,
    last_seen_us INTEGER NOT NULL,  -- latest frame, host clock
    last_boot    INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO "loggers" VALUES('L1',1764000002000005,2);
INSERT INTO "loggers" VALUES('L2',1764000002000004,2);
CREATE TABLE lost (
    logger TEXT    NOT NULL,
    boot   INTEGER NOT NULL,
    first  INTEGER NOT NULL,
    last   INTEGER NOT NULL,
    PRIMARY KEY (logger, boot, first)
) STRICT, WITHOUT ROWID;
INSERT INTO "lost" VALUES('L1',2,2,2);
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
INSERT INTO "measures" VALUES('oak',1764000005000000,0,0,'peak-pressure',120.5,0.5,'bar');
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
INSERT INTO "phases" VALUES('oak',1764000005000000,0,'opening',0,'lid up',1764000005000000,4.5,0.004,'inferred',4.25,21.5,NULL);
CREATE TABLE profiles (
    profile     TEXT    NOT NULL,
    revision    INTEGER NOT NULL,
    text        TEXT    NOT NULL,
    recorded_us INTEGER NOT NULL,
    PRIMARY KEY (profile, revision)
) STRICT;
INSERT INTO "profiles" VALUES('two-valve',1,'id = "two-valve"
',5);
CREATE INDEX journal_by_car ON journal (car, position);
CREATE INDEX attachments_by_logger ON attachments (logger, number);
CREATE INDEX cycles_by_start ON cycles (start_us);
CREATE INDEX phases_by_step ON phases (car, direction, step, cycle_us);
CREATE INDEX measures_by_name ON measures (car, name, cycle_us);
CREATE UNIQUE INDEX findings_of_cycle ON findings (car, cycle_us, place) WHERE cycle_us IS NOT NULL;
CREATE UNIQUE INDEX findings_alone ON findings (car, at_us, kind, signal, phase) WHERE cycle_us IS NULL;
CREATE INDEX findings_by_time ON findings (car, at_us);
CREATE INDEX entries_by_car ON entries (car, at_us);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('attachments',2);
INSERT INTO "sqlite_sequence" VALUES('journal',5);
INSERT INTO "sqlite_sequence" VALUES('entries',1);
COMMIT;
