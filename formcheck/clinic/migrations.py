"""The database's schema as a list of versions: each is SQL that leads on from the one before.

The version is SQLite's own `user_version`. A released step is never edited: what comes later is
a further step. Times are ISO 8601 in UTC; days are the person's own calendar days.
"""

_FIRST = """
CREATE TABLE patients (
    id INTEGER PRIMARY KEY,
    code TEXT NOT NULL UNIQUE,
    created_at TEXT NOT NULL,
    exchange_key TEXT NOT NULL,
    criteria TEXT NOT NULL DEFAULT '{}',
    silent_days INTEGER NOT NULL DEFAULT 7 CHECK (silent_days BETWEEN 1 AND 365)
);
CREATE TABLE prescriptions (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    version INTEGER NOT NULL,
    text TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    saved_at TEXT NOT NULL,
    saved_by TEXT NOT NULL,
    review_on TEXT,
    UNIQUE (patient_id, version)
);
CREATE TABLE sets (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    prescription_id INTEGER REFERENCES prescriptions (id) ON DELETE SET NULL,
    exercise TEXT NOT NULL,
    side TEXT NOT NULL CHECK (side IN ('left', 'right', 'both')),
    set_number INTEGER NOT NULL DEFAULT 1,
    day TEXT NOT NULL,
    received_at TEXT NOT NULL,
    recording TEXT NOT NULL,
    recording_bytes INTEGER NOT NULL,
    recording_sha256 TEXT NOT NULL,
    is_mirrored INTEGER NOT NULL DEFAULT 0,
    origin TEXT NOT NULL CHECK (origin IN ('recorded', 'dropped in', 'imported')),
    support TEXT NOT NULL DEFAULT '',
    load_kg REAL,
    state TEXT NOT NULL DEFAULT 'recorded' CHECK (state IN
        ('recorded', 'analysing', 'measured', 'reviewed', 'not measured')),
    reason TEXT NOT NULL DEFAULT '',
    n_repetitions INTEGER NOT NULL DEFAULT 0,
    n_complete INTEGER NOT NULL DEFAULT 0,
    n_not_met INTEGER NOT NULL DEFAULT 0,
    n_passed INTEGER NOT NULL DEFAULT 0,
    n_doubtful INTEGER NOT NULL DEFAULT 0,
    dose_prescribed INTEGER,
    dose_done INTEGER NOT NULL DEFAULT 0,
    summary TEXT NOT NULL DEFAULT '',
    has_overlay INTEGER NOT NULL DEFAULT 0,
    seen_on TEXT
);
CREATE INDEX sets_of_patient ON sets (patient_id, day, id);
CREATE INDEX sets_by_state ON sets (state, day);
CREATE TABLE set_measures (
    set_id INTEGER NOT NULL REFERENCES sets (id) ON DELETE CASCADE,
    key TEXT NOT NULL,
    value REAL NOT NULL,
    half_width REAL NOT NULL,
    n INTEGER NOT NULL,
    between_standard REAL,
    PRIMARY KEY (set_id, key)
) WITHOUT ROWID;
CREATE TABLE uploads (
    uid TEXT PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    about TEXT NOT NULL,
    suffix TEXT NOT NULL,
    n_bytes INTEGER NOT NULL DEFAULT 0,
    n_pieces INTEGER NOT NULL DEFAULT 0,
    begun_at TEXT NOT NULL,
    last_at TEXT NOT NULL
);
CREATE TABLE answers (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    set_id INTEGER REFERENCES sets (id) ON DELETE CASCADE,
    day TEXT NOT NULL,
    at TEXT NOT NULL,
    moment TEXT NOT NULL CHECK (moment IN ('before', 'after', 'next day')),
    pain INTEGER CHECK (pain BETWEEN 0 AND 10),
    pain_during INTEGER CHECK (pain_during BETWEEN 0 AND 10),
    effort INTEGER CHECK (effort BETWEEN 0 AND 10),
    symptoms TEXT NOT NULL DEFAULT '',
    pain_change TEXT CHECK (pain_change IN ('less', 'same', 'more')),
    stiffness_change TEXT CHECK (stiffness_change IN ('less', 'same', 'more')),
    swelling_change TEXT CHECK (swelling_change IN ('less', 'same', 'more')),
    exercise TEXT NOT NULL DEFAULT '',
    is_over_limit INTEGER NOT NULL DEFAULT 0,
    seen_by TEXT,
    seen_at TEXT
);
CREATE INDEX answers_of_patient ON answers (patient_id, day);
CREATE INDEX answers_of_set ON answers (set_id);
CREATE INDEX answers_unseen ON answers (seen_at, is_over_limit);
CREATE TABLE ticks (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    day TEXT NOT NULL,
    at TEXT NOT NULL,
    exercise TEXT NOT NULL,
    side TEXT NOT NULL,
    set_number INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('done', 'not done')),
    reason TEXT NOT NULL DEFAULT '',
    UNIQUE (patient_id, day, exercise, side, set_number)
);
CREATE TABLE corrections (
    id INTEGER PRIMARY KEY,
    set_id INTEGER NOT NULL REFERENCES sets (id) ON DELETE CASCADE,
    kind TEXT NOT NULL CHECK (kind IN ('left out', 'limits', 'outcome', 'comment')),
    repetition INTEGER,
    body TEXT NOT NULL,
    reason TEXT NOT NULL,
    made_by TEXT NOT NULL,
    made_at TEXT NOT NULL,
    withdrawn_by TEXT,
    withdrawn_at TEXT
);
CREATE INDEX corrections_of_set ON corrections (set_id);
CREATE TABLE reviews (
    id INTEGER PRIMARY KEY,
    set_id INTEGER NOT NULL REFERENCES sets (id) ON DELETE CASCADE,
    kind TEXT NOT NULL CHECK (kind IN ('reviewed', 'opened again')),
    initials TEXT NOT NULL,
    day TEXT NOT NULL,
    at TEXT NOT NULL,
    reason TEXT NOT NULL DEFAULT ''
);
CREATE INDEX reviews_of_set ON reviews (set_id);
CREATE TABLE clinic_findings (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    day TEXT NOT NULL,
    kind TEXT NOT NULL,
    side TEXT NOT NULL CHECK (side IN ('left', 'right', 'both')),
    value REAL,
    words TEXT NOT NULL DEFAULT '',
    made_by TEXT NOT NULL,
    made_at TEXT NOT NULL
);
CREATE INDEX clinic_findings_of_patient ON clinic_findings (patient_id, day);
CREATE TABLE outcome_scores (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    day TEXT NOT NULL,
    name TEXT NOT NULL,
    value REAL NOT NULL,
    direction TEXT NOT NULL CHECK (direction IN ('higher is better', 'lower is better')),
    least_change REAL,
    made_by TEXT NOT NULL,
    made_at TEXT NOT NULL
);
CREATE INDEX outcome_scores_of_patient ON outcome_scores (patient_id, name, day);
CREATE TABLE goals (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    words TEXT NOT NULL,
    set_on TEXT NOT NULL,
    due_on TEXT,
    reached_on TEXT,
    made_by TEXT NOT NULL
);
CREATE TABLE jobs (
    id INTEGER PRIMARY KEY,
    set_id INTEGER NOT NULL REFERENCES sets (id) ON DELETE CASCADE,
    kind TEXT NOT NULL CHECK (kind IN ('measure', 'draw')),
    state TEXT NOT NULL DEFAULT 'waiting' CHECK (state IN
        ('waiting', 'running', 'done', 'failed')),
    n_attempts INTEGER NOT NULL DEFAULT 0,
    n_deaths INTEGER NOT NULL DEFAULT 0,
    holder TEXT,
    stage TEXT NOT NULL DEFAULT '',
    done INTEGER NOT NULL DEFAULT 0,
    total INTEGER,
    made_at TEXT NOT NULL,
    beat_at TEXT,
    error TEXT NOT NULL DEFAULT ''
);
CREATE INDEX jobs_by_state ON jobs (state, kind DESC, id);
CREATE INDEX jobs_of_set ON jobs (set_id);
CREATE TABLE deletions (
    id INTEGER PRIMARY KEY,
    at TEXT NOT NULL,
    what TEXT NOT NULL CHECK (what IN ('patient', 'set')),
    patient_code TEXT NOT NULL,
    about TEXT NOT NULL,
    n_sets INTEGER NOT NULL,
    made_by TEXT NOT NULL,
    reason TEXT NOT NULL
);
CREATE TABLE received (
    package_id TEXT PRIMARY KEY,
    at TEXT NOT NULL,
    kind TEXT NOT NULL
);
CREATE TABLE comments_received (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    set_uid TEXT NOT NULL,
    at_s REAL,
    words TEXT NOT NULL,
    day TEXT NOT NULL,
    UNIQUE (set_uid, at_s, words)
);
"""

_OPEN_TARGETS = """
ALTER TABLE sets ADD COLUMN n_open INTEGER NOT NULL DEFAULT 0
"""

_NOTHING_LOST = """
ALTER TABLE uploads ADD COLUMN pieces TEXT NOT NULL DEFAULT '';
CREATE TABLE tick_history (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    day TEXT NOT NULL,
    at TEXT NOT NULL,
    exercise TEXT NOT NULL,
    side TEXT NOT NULL,
    set_number INTEGER NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('done', 'not done', 'taken back')),
    reason TEXT NOT NULL DEFAULT '',
    UNIQUE (patient_id, day, exercise, side, set_number, at, kind, reason)
);
INSERT INTO tick_history (patient_id, day, at, exercise, side, set_number, kind, reason)
    SELECT patient_id, day, at, exercise, side, set_number, kind, reason FROM ticks ORDER BY id;
ALTER TABLE received ADD COLUMN made_at TEXT NOT NULL DEFAULT '';
ALTER TABLE received ADD COLUMN patient_id INTEGER REFERENCES patients (id) ON DELETE CASCADE;
CREATE TABLE due_deletions (
    set_id INTEGER PRIMARY KEY REFERENCES sets (id) ON DELETE CASCADE,
    listed_at TEXT NOT NULL,
    days INTEGER NOT NULL,
    confirmed_by TEXT,
    confirmed_at TEXT
)
"""

_SAFETY = """
CREATE TABLE answers_with_events (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    set_id INTEGER REFERENCES sets (id) ON DELETE CASCADE,
    day TEXT NOT NULL,
    at TEXT NOT NULL,
    moment TEXT NOT NULL CHECK (moment IN
        ('today', 'before', 'after', 'next day', 'stopped', 'acted')),
    pain INTEGER CHECK (pain BETWEEN 0 AND 10),
    pain_during INTEGER CHECK (pain_during BETWEEN 0 AND 10),
    effort INTEGER CHECK (effort BETWEEN 0 AND 10),
    symptoms TEXT NOT NULL DEFAULT '',
    asked TEXT NOT NULL DEFAULT '',
    pain_change TEXT CHECK (pain_change IN ('less', 'same', 'more')),
    stiffness_change TEXT CHECK (stiffness_change IN ('less', 'same', 'more')),
    swelling_change TEXT CHECK (swelling_change IN ('less', 'same', 'more')),
    exercise TEXT NOT NULL DEFAULT '',
    side TEXT NOT NULL DEFAULT '',
    set_number INTEGER,
    pain_limit INTEGER CHECK (pain_limit BETWEEN 0 AND 10),
    pain_origin TEXT NOT NULL DEFAULT '' CHECK (pain_origin IN ('', 'plan', 'practice', 'none')),
    is_over_limit INTEGER NOT NULL DEFAULT 0,
    level TEXT NOT NULL DEFAULT 'start' CHECK (level IN
        ('start', 'visit', 'leave_out', 'call', 'urgent')),
    set_uid TEXT,
    at_s REAL,
    repetition INTEGER,
    acted TEXT CHECK (acted IN ('may_go_on', 'told_to_wait', 'not_yet', 'not_meant')),
    seen_by TEXT,
    seen_at TEXT
);
INSERT INTO answers_with_events (id, patient_id, set_id, day, at, moment, pain, pain_during, effort,
    symptoms, asked, pain_change, stiffness_change, swelling_change, exercise, is_over_limit, level,
    seen_by, seen_at)
SELECT id, patient_id, set_id, day, at, moment, pain, pain_during, effort, symptoms,
    CASE WHEN moment = 'before' THEN 'new_swelling giving_way locking calf fever_or_wound fall '
        || 'breathless chest_pain sudden_calf' ELSE '' END,
    pain_change, stiffness_change, swelling_change, exercise, is_over_limit,
    CASE
        WHEN ' ' || symptoms || ' ' LIKE '% breathless %'
            OR ' ' || symptoms || ' ' LIKE '% chest_pain %'
            OR ' ' || symptoms || ' ' LIKE '% sudden_calf %' THEN 'urgent'
        WHEN symptoms != '' OR is_over_limit = 1 THEN 'call'
        WHEN 'more' IN (coalesce(pain_change, ''), coalesce(swelling_change, '')) THEN 'visit'
        ELSE 'start'
    END,
    seen_by, seen_at
FROM answers;
DROP TABLE answers;
ALTER TABLE answers_with_events RENAME TO answers;
CREATE INDEX answers_of_patient ON answers (patient_id, day);
CREATE INDEX answers_of_set ON answers (set_id);
CREATE INDEX answers_unseen ON answers (seen_at, level);
CREATE TABLE clinic_settings (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER UNIQUE REFERENCES patients (id) ON DELETE CASCADE,
    phone TEXT NOT NULL DEFAULT '',
    hours TEXT NOT NULL DEFAULT '',
    emergency TEXT NOT NULL DEFAULT '',
    questions TEXT NOT NULL DEFAULT '',
    saved_at TEXT NOT NULL
);
ALTER TABLE sets ADD COLUMN n_limit_unseen INTEGER NOT NULL DEFAULT 0;
ALTER TABLE sets ADD COLUMN n_remarked INTEGER NOT NULL DEFAULT 0;
ALTER TABLE sets ADD COLUMN attention TEXT
"""
"""Answers gain the day's questions, stops and what was done about an answer; a set says why it is
to be looked at (no attention: it was measured before that was kept)."""

_LOAD_AS_DONE = """
ALTER TABLE ticks ADD COLUMN load_kg REAL CHECK (load_kg BETWEEN 0 AND 500);
ALTER TABLE tick_history ADD COLUMN load_kg REAL CHECK (load_kg BETWEEN 0 AND 500)
"""

_PAPER_AND_HOME = """
CREATE TABLE this_computer (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    since TEXT NOT NULL
);
ALTER TABLE ticks ADD COLUMN paper_by TEXT NOT NULL DEFAULT '';
ALTER TABLE ticks ADD COLUMN effort INTEGER CHECK (effort BETWEEN 0 AND 10);
ALTER TABLE ticks ADD COLUMN pain INTEGER CHECK (pain BETWEEN 0 AND 10);
ALTER TABLE tick_history ADD COLUMN paper_by TEXT NOT NULL DEFAULT '';
ALTER TABLE tick_history ADD COLUMN effort INTEGER CHECK (effort BETWEEN 0 AND 10);
ALTER TABLE tick_history ADD COLUMN pain INTEGER CHECK (pain BETWEEN 0 AND 10)
"""

_WITHDRAWN = ";".join(
    f"ALTER TABLE {table} ADD COLUMN {column}"
    for table in ("clinic_findings", "outcome_scores", "goals")
    for column in ("withdrawn_by TEXT", "withdrawn_at TEXT", "withdrawn_why TEXT")
)

_LANGUAGE = """
ALTER TABLE patients ADD COLUMN language TEXT NOT NULL DEFAULT 'en';
ALTER TABLE patients ADD COLUMN language_of_plan TEXT NOT NULL DEFAULT ''
"""
"""The language that a patient reads, and the one that the newest plan from the clinic named: where
the two differ, the patient has chosen."""

_INTERVALS = """
ALTER TABLE set_measures ADD COLUMN low REAL NOT NULL DEFAULT 0;
ALTER TABLE set_measures ADD COLUMN high REAL NOT NULL DEFAULT 0;
UPDATE set_measures SET low = value - half_width, high = value + half_width;
UPDATE set_measures SET low = max(low, 0) WHERE substr(key, -2) = '_s';
ALTER TABLE set_measures DROP COLUMN half_width
"""
"""An interval may lie unevenly about its mean: a hold that was not seen whole, a time near 0."""

MIGRATIONS: tuple[tuple[str, str], ...] = (
    ("the first schema", _FIRST),
    ("repetitions with a target too close to call or not seen", _OPEN_TARGETS),
    ("pieces checked at the end; every word on a set kept; deletion by age asks", _NOTHING_LOST),
    ("the day's questions, stops, what was done about them; the clinic's contact", _SAFETY),
    ("the load with which a set was done that was not filmed", _LOAD_AS_DONE),
    ("whose computer this is; ticks that were entered from paper", _PAPER_AND_HOME),
    ("findings, scores and goals that were withdrawn", _WITHDRAWN),
    ("the language of a patient's pages", _LANGUAGE),
    ("both ends of the interval of a set's mean", _INTERVALS),
)
"""(what it does, SQL) of each version, in order; version n is the state after n steps."""


def statements(sql: str) -> list[str]:
    """The single statements of a step: no statement of ours holds a semicolon inside."""
    return [s.strip() for s in sql.split(";") if s.strip()]
