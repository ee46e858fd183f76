//! Writing a run.

use super::checked;
use super::database::{Database, Value};
use super::digest;
use super::error::{Fault, HistoryError};
use super::error_kind::HistoryErrorKind;
use super::known_series::KnownSeries;
use super::model::{NewRecord, RecordId, Settings};
use super::numbers;
use super::settings;
use super::store::History;
use crate::check::{CornerOutcome, Unit, Verdict};
use crate::provenance::{Provenance, sha256};
use crate::quantity::calendar::{micros, rfc_3339};
use std::fmt::Write as _;
use std::rc::Rc;

/// One measured value of a corner.
struct Quantity<'a> {
    corner: &'a str,
    quantity: &'a str,
    unit: Unit,
    value: f64,
    uncertainty: Option<f64>,
    chain: Option<f64>,
    at_least: bool,
}

/// Everything of a record that is made once, whatever the number of tries.
struct Prepared<'a> {
    new: &'a NewRecord<'a>,
    provenance: &'a Provenance,
    token: String,
    settings: Rc<SettingsText>,
    digests: Vec<Vec<u8>>,
    recorded: String,
    quantities: Vec<Quantity<'a>>,
}

/// The settings of a run, with their text and its digest.
struct SettingsText {
    settings: Settings,
    text: String,
    sha256: String,
}

impl History {
    /// Records a run: whole or not at all. When this returns, the run is on the disk; a lost connection is tried again.
    ///
    /// # Errors
    /// When the run has no provenance or the history cannot be written; the error names the run.
    pub fn record(&mut self, new: &NewRecord<'_>) -> Result<RecordId, HistoryError> {
        let prepared = prepare(new, &mut None).map_err(|fault| named(fault.at(&self.address), new))?;
        self.insert(&prepared)
    }

    /// Records runs as one transaction, which costs far less than one for each. A run that cannot be recorded keeps no other from it: where
    /// the transaction fails, each run is tried by itself. When this returns, every run that has a number is on the disk.
    pub fn record_all(&mut self, new: &[NewRecord<'_>]) -> Vec<Result<RecordId, HistoryError>> {
        let mut last = None;
        let prepare = |new| prepare(new, &mut last).map_err(|fault| named(fault.at(&self.address), new));
        let prepared: Vec<Result<Prepared<'_>, HistoryError>> = new.iter().map(prepare).collect();
        let ready: Vec<&Prepared<'_>> = prepared.iter().flatten().collect();
        let together = self.write(|database, series| {
            ready.iter().map(|run| insert(database, series, run)).collect::<Result<Vec<_>, _>>()
        });
        let numbers: Vec<Result<RecordId, HistoryError>> = match together {
            Ok(numbers) => numbers.into_iter().map(Ok).collect(),
            Err(error) => self.insert_each(&ready, error),
        };
        let mut numbers = numbers.into_iter();
        let answer = |run: Result<Prepared<'_>, HistoryError>| match run {
            Ok(_) => numbers.next(),
            Err(error) => Some(Err(error)),
        };
        prepared.into_iter().filter_map(answer).collect()
    }

    /// Tries runs one by one that failed together with `error`. Every try of a lost connection or a busy file waits for seconds: once is
    /// enough.
    fn insert_each(
        &mut self,
        runs: &[&Prepared<'_>],
        error: HistoryError,
    ) -> Vec<Result<RecordId, HistoryError>> {
        let mut lost = Some(error).filter(|error| error.kind == HistoryErrorKind::Connection);
        let mut each = |run: &&Prepared<'_>| {
            if let Some(error) = &lost {
                return Err(named(error.clone(), run.new));
            }
            let answer = self.insert(run);
            let waits = [HistoryErrorKind::Connection, HistoryErrorKind::Busy];
            lost = answer.as_ref().err().filter(|error| waits.contains(&error.kind)).cloned();
            answer
        };
        runs.iter().map(&mut each).collect()
    }

    fn insert(&mut self, run: &Prepared<'_>) -> Result<RecordId, HistoryError> {
        self.write(|database, series| insert(database, series, run)).map_err(|error| named(error, run.new))
    }
}

fn named(error: HistoryError, new: &NewRecord<'_>) -> HistoryError {
    HistoryError { run: Some(new.outcome.run.clone()), ..error }
}

fn incomplete(what: &str) -> Fault {
    let help = "judge the run with its files' digests, then record it";
    Fault::Kind(HistoryErrorKind::Incomplete, what.to_owned(), help.to_owned())
}

/// The settings of a run: mostly they are those of the run before.
fn settings_text(
    new: &NewRecord<'_>,
    last: &mut Option<Rc<SettingsText>>,
) -> Result<Rc<SettingsText>, Fault> {
    let settings = settings::of(new.outcome, new.drift);
    if let Some(same) = last.as_ref().filter(|last| last.settings == settings) {
        return Ok(same.clone());
    }
    numbers::hold_settings(&settings).map_err(|what| impossible(&format!("its spec: {what}")))?;
    let text = settings::settings_text(&settings).map_err(|e| incomplete(&e.to_string()))?;
    let sha256 = sha256(text.as_bytes());
    Ok(last.insert(Rc::new(SettingsText { settings, text, sha256 })).clone())
}

/// `last` are the settings of the run before.
fn prepare<'a>(new: &'a NewRecord<'a>, last: &mut Option<Rc<SettingsText>>) -> Result<Prepared<'a>, Fault> {
    let provenance = new
        .outcome
        .provenance
        .as_ref()
        .ok_or_else(|| incomplete("the run does not tell what its verdict rests on"))?;
    let digests = provenance.files.iter().map(|file| bytes_of_hex(&file.sha256)).collect::<Option<_>>();
    let settings = settings_text(new, last)?;
    let quantities: Vec<Quantity<'_>> = new.outcome.corners.iter().flat_map(quantities).collect();
    new.outcome.corners.iter().try_for_each(checked::hold).map_err(|what| impossible(&what))?;
    for q in &quantities {
        numbers::hold(q.unit.symbol(), q.value, q.uncertainty, q.chain).map_err(|(what, found)| {
            impossible(&format!("{} {}: its {what} is {found}", q.corner, q.quantity))
        })?;
    }
    Ok(Prepared {
        new,
        provenance,
        token: token()?,
        settings,
        digests: digests.ok_or_else(|| incomplete("a digest of a file is no SHA-256"))?,
        recorded: rfc_3339(new.recorded),
        quantities,
    })
}

/// A run whose numbers no history takes, since it would refuse to read them.
fn impossible(what: &str) -> Fault {
    let help = "no loop has such a number: look at the sweeps and the spec, and judge the run anew";
    Fault::Kind(HistoryErrorKind::Incomplete, what.to_owned(), help.to_owned())
}

fn insert(
    database: &mut Database,
    series: &mut KnownSeries,
    prepared: &Prepared<'_>,
) -> Result<RecordId, Fault> {
    let series = series_ids(database, series, prepared)?;
    let spec = spec_id(database, prepared)?;
    let Some(record) = insert_head(database, prepared, spec)? else {
        // An earlier try came through and its answer was lost.
        let sql = "SELECT id FROM record WHERE token = ?1";
        let found = database.query_first(sql, &[prepared.token.as_str().into()], |row| row.get::<i64>(0))?;
        return found.map(RecordId).ok_or_else(|| Fault::damaged("a record that is there cannot be found"));
    };
    let json = Value::Blob(&prepared.new.json.0);
    let of_json = digest::of_row([prepared.token.as_str().into(), json]);
    database.insert("result (record_id, json, digest)", 3, &[record.into(), json, of_json.into()])?;
    insert_corners(database, prepared, record)?;
    let row = |(q, &series): (&Quantity<'_>, &i64)| {
        let [value, uncertainty, chain, at_least] =
            [q.value.into(), q.uncertainty.into(), q.chain.into(), q.at_least.into()];
        let key = [&prepared.token, q.corner, q.quantity, q.unit.symbol()];
        let digest = digest::of_value(key, [value, uncertainty, chain, at_least]);
        [series.into(), record.into(), value, uncertainty, chain, at_least, digest.into()]
    };
    let values: Vec<Value<'_>> = prepared.quantities.iter().zip(&series).flat_map(row).collect();
    database.insert(
        "value (series_id, record_id, value, uncertainty, chain, at_least, digest)",
        7,
        &values,
    )?;
    let files: Vec<Value<'_>> = prepared
        .provenance
        .files
        .iter()
        .zip(&prepared.digests)
        .flat_map(|(file, digest)| {
            let bytes = i64::try_from(file.bytes).unwrap_or(i64::MAX);
            [record.into(), file.file.as_str().into(), Value::Blob(digest), bytes.into()]
        })
        .collect();
    database.insert("file (record_id, file, sha256, bytes)", 4, &files)?;
    Ok(RecordId(record))
}

/// The record's number; `None` when its token is there already.
fn insert_head(database: &mut Database, prepared: &Prepared<'_>, spec: i64) -> Result<Option<i64>, Fault> {
    let run = prepared.new.outcome;
    let told: [Value<'_>; 15] = [
        prepared.token.as_str().into(),
        run.product.as_str().into(),
        run.serial.as_str().into(),
        run.revision.as_str().into(),
        run.firmware.as_deref().into(),
        run.build.as_deref().into(),
        run.taken.as_deref().into(),
        run.taken.as_deref().and_then(micros).into(),
        run.station.as_deref().into(),
        run.is_reference.into(),
        run.run.as_str().into(),
        run.verdict.word().into(),
        prepared.new.tool.into(),
        (run.corners.len() as i64).into(),
        prepared.recorded.as_str().into(),
    ];
    let of_spec: [Value<'_>; 2] =
        [(*prepared.provenance.spec.sha256).into(), prepared.settings.sha256.as_str().into()];
    let bench: [Value<'_>; 6] = [
        run.title.as_deref().into(),
        run.bench.operator.as_deref().into(),
        run.bench.instrument.as_deref().into(),
        run.bench.calibrated_until.as_deref().into(),
        run.bench.injection.as_deref().into(),
        run.bench.notes.as_deref().into(),
    ];
    let digest = digest::of_row(told.into_iter().chain(of_spec).chain(digest::told(bench)));
    let values: Vec<Value<'_>> = told.into_iter().chain([spec.into(), digest.into()]).chain(bench).collect();
    let sql = "INSERT INTO record (token, product, serial, revision, firmware, build, taken, taken_us, station, \
               is_reference, run, verdict, tool, corners, recorded, spec_id, digest, title, operator, instrument, \
               calibrated_until, injection, notes) \
               VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23) \
               ON CONFLICT (token) DO NOTHING RETURNING id";
    database.query_first(sql, &values, |row| row.get(0))
}

fn insert_corners(database: &mut Database, prepared: &Prepared<'_>, record: i64) -> Result<(), Fault> {
    let mut corners: Vec<Value<'_>> = Vec::new();
    let mut problems: Vec<Value<'_>> = Vec::new();
    let mut checks: Vec<Value<'_>> = Vec::new();
    let all = &prepared.new.outcome.corners;
    let conditions: Vec<String> = all.iter().map(|corner| checked::conditions(&corner.conditions)).collect();
    for (corner, conditions) in all.iter().zip(&conditions) {
        let name: Value<'_> = corner.corner.as_str().into();
        let level = corner.judged.as_ref().and_then(|judged| judged.level.as_deref());
        let quantities = prepared.quantities.iter().filter(|q| q.corner == corner.corner).count() as i64;
        let told: [Value<'_>; 6] = [
            name,
            corner.verdict.word().into(),
            level.into(),
            quantities.into(),
            conditions.as_str().into(),
            (corner.checks.len() as i64).into(),
        ];
        let digest = digest::of_row(std::iter::once(prepared.token.as_str().into()).chain(told));
        corners.push(record.into());
        corners.extend(told);
        corners.push(digest.into());
        checks.extend(checked::rows(&prepared.token, record, corner));
        let wrong = corner.checks.iter().filter(|c| !matches!(c.verdict, Verdict::Pass | Verdict::NotJudged));
        problems.extend(wrong.flat_map(|check| {
            [
                record.into(),
                name,
                check.check.as_str().into(),
                check.verdict.word().into(),
                check.message.as_str().into(),
            ]
        }));
    }
    let table = "corner (record_id, corner, verdict, level, quantities, conditions, checks, digest)";
    database.insert(table, 8, &corners)?;
    database.insert(checked::TABLE, checked::COLUMNS, &checks)?;
    database.insert("problem (record_id, corner, check_name, verdict, message)", 5, &problems)
}

/// Numbers of the quantities' series, in their order.
fn series_ids(
    database: &mut Database,
    known: &mut KnownSeries,
    prepared: &Prepared<'_>,
) -> Result<Vec<i64>, Fault> {
    let product = prepared.new.outcome.product.as_str();
    let keys = || prepared.quantities.iter().map(|q| [product, q.corner, q.quantity, q.unit.symbol()]);
    let mut unknown: Vec<[&str; 4]> = keys().filter(|key| known.get(*key).is_none()).collect();
    // In the same order everywhere, so that two transactions never wait for each other.
    unknown.sort_unstable();
    unknown.dedup();
    let select = "SELECT id FROM series WHERE product = ?1 AND corner = ?2 AND quantity = ?3 AND unit = ?4";
    let insert =
        "INSERT INTO series (product, corner, quantity, unit) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING";
    for key in unknown {
        let values = key.map(Value::Text);
        let id = found_or_made(database, select, &values, insert, &values)?;
        known.insert(key, id);
    }
    keys().map(|key| known.get(key).ok_or_else(|| Fault::damaged("a series cannot be found"))).collect()
}

fn spec_id(database: &mut Database, prepared: &Prepared<'_>) -> Result<i64, Fault> {
    let spec = &prepared.provenance.spec;
    let key: [Value<'_>; 2] = [(*spec.sha256).into(), prepared.settings.sha256.as_str().into()];
    let product = prepared.new.outcome.product.as_str().into();
    let [sha256, settings_sha256] = key;
    let row = [sha256, settings_sha256, product, (*spec.text).into(), prepared.settings.text.as_str().into()];
    let select = "SELECT id FROM spec WHERE sha256 = ?1 AND settings_sha256 = ?2";
    let insert = "INSERT INTO spec (sha256, settings_sha256, product, text, settings) VALUES (?1, ?2, ?3, ?4, ?5) \
                  ON CONFLICT DO NOTHING";
    found_or_made(database, select, &key, insert, &row)
}

fn found_or_made(
    database: &mut Database,
    select: &str,
    key: &[Value<'_>],
    insert: &str,
    row: &[Value<'_>],
) -> Result<i64, Fault> {
    if let Some(id) = database.query_first(select, key, |row| row.get(0))? {
        return Ok(id);
    }
    database.execute(insert, row)?;
    let made = database.query_first(select, key, |row| row.get(0))?;
    made.ok_or_else(|| Fault::damaged("a row that was written cannot be found"))
}

fn quantities(corner: &CornerOutcome) -> Vec<Quantity<'_>> {
    let Some(measured) = &corner.measured else { return Vec::new() };
    let singles = measured.values.iter().map(|(measurand, m)| Quantity {
        corner: &corner.corner,
        quantity: measurand.key(),
        unit: measurand.unit(),
        value: measurand.held(m.value),
        uncertainty: m.uncertainty,
        chain: m.budget.map(|b| b.gain.hypot(b.phase).hypot(b.delay).hypot(b.impedance_ratio)),
        at_least: m.at_least == Some(true),
    });
    let gains = corner.checks.iter().filter(|check| check.check.starts_with("gain@")).filter_map(|check| {
        Some(Quantity {
            corner: &corner.corner,
            quantity: &check.check,
            unit: check.unit?,
            value: check.value?,
            uncertainty: check.uncertainty,
            chain: None,
            at_least: false,
        })
    });
    singles.chain(gains).collect()
}

/// A number that no other record has, 32 hexadecimal digits.
fn token() -> Result<String, Fault> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).map_err(|error| {
        let help = "the system gives no random numbers";
        Fault::Kind(HistoryErrorKind::Refused, error.to_string(), help.to_owned())
    })?;
    Ok(bytes.iter().fold(String::with_capacity(32), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    }))
}

fn bytes_of_hex(text: &str) -> Option<Vec<u8>> {
    let (pairs, []) = text.as_bytes().as_chunks::<2>() else { return None };
    let digit = |text: u8| char::from(text).to_digit(16);
    let byte = |[high, low]: &[u8; 2]| u8::try_from(16 * digit(*high)? + digit(*low)?).ok();
    pairs.iter().map(byte).collect()
}
