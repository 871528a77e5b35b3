BEGIN TRANSACTION;
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
INSERT INTO "answers" VALUES(1,1,1,'2026-03-02','2026-11-25T03:19:01+00:00','before',2,NULL,NULL,'',NULL,NULL,NULL,'squat',0,NULL,NULL);
INSERT INTO "answers" VALUES(2,1,1,'2026-03-02','2026-11-25T03:19:01+00:00','after',1,4,5,'',NULL,NULL,NULL,'',1,NULL,NULL);
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
INSERT INTO "clinic_findings" VALUES(1,1,'2026-03-04','active_flexion','left',12.0,'','M.T.','2026-11-25T03:19:01+00:00');
CREATE TABLE comments_received (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    set_uid TEXT NOT NULL,
    at_s REAL,
    words TEXT NOT NULL,
    day TEXT NOT NULL,
    UNIQUE (set_uid, at_s, words)
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
INSERT INTO "corrections" VALUES(1,1,'comment',NULL,'{"at_s": 3.0, "words": "Good pace."}','','M.T.','2026-11-25T03:19:01+00:00',NULL,NULL);
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
CREATE TABLE goals (
    id INTEGER PRIMARY KEY,
    patient_id INTEGER NOT NULL REFERENCES patients (id) ON DELETE CASCADE,
    words TEXT NOT NULL,
    set_on TEXT NOT NULL,
    due_on TEXT,
    reached_on TEXT,
    made_by TEXT NOT NULL
);
INSERT INTO "goals" VALUES(1,1,'Walk the dog for half an hour','2026-03-04',NULL,NULL,'M.T.');
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
INSERT INTO "jobs" VALUES(1,1,'measure','waiting',0,0,NULL,'',0,NULL,'2026-11-25T03:19:01+00:00',NULL,'');
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
INSERT INTO "outcome_scores" VALUES(1,1,'2026-03-04','Knee score',61.0,'higher is better',8.0,'M.T.','2026-11-25T03:19:01+00:00');
CREATE TABLE patients (
    id INTEGER PRIMARY KEY,
    code TEXT NOT NULL UNIQUE,
    created_at TEXT NOT NULL,
    exchange_key TEXT NOT NULL,
    criteria TEXT NOT NULL DEFAULT '{}',
    silent_days INTEGER NOT NULL DEFAULT 7 CHECK (silent_days BETWEEN 1 AND 365)
);
INSERT INTO "patients" VALUES(1,'KN-204','2026-11-25T03:19:00+00:00','0ffa65ea15771f7d662d4b617cfe92961ba39279d28a8a1f5fcd374068a1365a','{}',7);
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
INSERT INTO "prescriptions" VALUES(1,1,1,'#:schema ../formcheck/assets/schemas/prescription.schema.json
# An invented patient: the fourth week after the repair of a torn meniscus.
schema = "formcheck.prescription/1.0"
patient = "KN-204"
involved_side = "left"
prescribed_by = "M.T."
valid_from = 2025-03-03
review_on = 2025-03-17
condition = "inside meniscus of the left knee repaired, week four"
surgery_on = 2025-02-04
weight_bearing = "full, as it is comfortable"
brace = "none indoors"
goals = "stairs one foot after the other, garden work on the knees by summer"
passive_extension_deg = 2

[[exercises]]
exercise = "squat"
sets = 3
repetitions = 6
rest_s = 60
frequency = "once a day"
load_kg = 0
tempo = { lowering_s = 2, pause_s = 1, raising_s = 2 }
effort_aim = 5
sides = ["both"]
support_allowed = "back of a chair"
pain_limit = 3
easier = "sit_to_stand"
harder = "split_squat"
notes = "Slow on the way down. Stay above the limit even on a day that feels easy."

[[exercises.targets]]
measure = "knee_flexion_peak_deg"
at_least = 60

[[exercises.limits]]
measure = "knee_flexion_peak_deg"
at_most = 90
source = "surgeon: no more than 90 degrees under load until week eight"

[[exercises.film]]
set_number = 1
view = "sagittal"

[[exercises.film]]
set_number = 2
view = "frontal"

[[exercises]]
exercise = "wall_sit"
sets = 2
repetitions = 1
hold_s = 5
rest_s = 60
frequency = "once a day"
effort_aim = 6
pain_limit = 3
easier = "sit_to_stand"
harder = "squat"

[[exercises.targets]]
measure = "plateau_level_deg"
at_least = 70
at_most = 80
tolerance = 5

[[exercises.limits]]
measure = "knee_flexion_peak_deg"
at_most = 95
source = "surgeon: no more than 90 degrees under load until week eight, 5 for a short slip"

[[exercises.film]]
set_number = 1
view = "sagittal"

[[exercises]]
exercise = "straight_leg_raise"
sets = 3
repetitions = 10
rest_s = 45
frequency = "twice a day"
sides = ["left", "right"]
pain_limit = 3
notes = "Tighten the thigh before the heel leaves the floor."

[[exercises.targets]]
measure = "leg_elevation_peak_deg"
at_least = 30

[[exercises.targets]]
measure = "knee_flexion_gain_deg"
at_most = 5

[[exercises.film]]
set_number = 1
view = "sagittal"
','d17bf64654c1b4d46c00dd75ef6ade6a60dad648b521e0491f6546c9c574cf27','2026-11-25T03:19:01+00:00','M.T.','2025-03-17');
CREATE TABLE received (
    package_id TEXT PRIMARY KEY,
    at TEXT NOT NULL,
    kind TEXT NOT NULL
);
INSERT INTO "received" VALUES('66fa30ad9ad3a0f503d20c4913232045','2026-11-25T03:19:01+00:00','set');
CREATE TABLE reviews (
    id INTEGER PRIMARY KEY,
    set_id INTEGER NOT NULL REFERENCES sets (id) ON DELETE CASCADE,
    kind TEXT NOT NULL CHECK (kind IN ('reviewed', 'opened again')),
    initials TEXT NOT NULL,
    day TEXT NOT NULL,
    at TEXT NOT NULL,
    reason TEXT NOT NULL DEFAULT ''
);
INSERT INTO "reviews" VALUES(1,1,'reviewed','M.T.','2026-03-04','2026-11-25T03:19:01+00:00','');
CREATE TABLE set_measures (
    set_id INTEGER NOT NULL REFERENCES sets (id) ON DELETE CASCADE,
    key TEXT NOT NULL,
    value REAL NOT NULL,
    half_width REAL NOT NULL,
    n INTEGER NOT NULL,
    between_standard REAL,
    PRIMARY KEY (set_id, key)
) WITHOUT ROWID;
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
INSERT INTO "sets" VALUES(1,'daf56c6d393582d1ba514a318f295379',1,1,'squat','left',1,'2026-03-02','2026-11-25T03:19:01+00:00','daf56c6d393582d1ba514a318f295379.mp4',69,'01bce7ead845dd5a0ecddb8392af4db40a4d1b3dfebaaa0cd33a7336c545204a',0,'imported','chair',2.0,'recorded','',0,0,0,0,0,NULL,0,'',0,NULL);
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
INSERT INTO "ticks" VALUES(1,1,'2026-11-25','2026-11-25T03:19:01+00:00','wall_sit','both',1,'not done','pain');
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
CREATE INDEX sets_of_patient ON sets (patient_id, day, id);
CREATE INDEX sets_by_state ON sets (state, day);
CREATE INDEX answers_of_patient ON answers (patient_id, day);
CREATE INDEX answers_of_set ON answers (set_id);
CREATE INDEX answers_unseen ON answers (seen_at, is_over_limit);
CREATE INDEX corrections_of_set ON corrections (set_id);
CREATE INDEX reviews_of_set ON reviews (set_id);
CREATE INDEX clinic_findings_of_patient ON clinic_findings (patient_id, day);
CREATE INDEX outcome_scores_of_patient ON outcome_scores (patient_id, name, day);
CREATE INDEX jobs_by_state ON jobs (state, kind DESC, id);
CREATE INDEX jobs_of_set ON jobs (set_id);
COMMIT;
