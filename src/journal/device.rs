//! Which known device a reading is of.
//!
//! Receivers of one family are lookalikes: putting a record under the wrong one would later restore
//! another boat's settings. So only strong marks bring two readings together, and a reading without
//! any is kept apart from all devices that have some.

use rusqlite::{Connection, Row, params};

use crate::terms::{
    Bssid, Device, Identity, Role, Sameness, SettingName, Snapshot, Untrusted, Value,
};

use super::write::{Refusal, role_word};

/// The columns that [`identity_of`] reads, in its order.
pub(super) const IDENTITY_COLUMNS: &str =
    "device.serial, device.bssid, device.bssid_stable, device.address";

/// Finds or makes the row of the device, and adds what is new in its marks and its name.
pub(super) fn row_for(connection: &Connection, snapshot: &Snapshot) -> Result<i64, Refusal> {
    let device = &snapshot.device;
    let known = known_of(connection, &device.family, device.role, &device.identity)?;
    let row = match choose(&device.identity, &known) {
        Choice::Known(id) => id,
        Choice::OneInSeveralRows(first, others) => {
            for other in others {
                fold(connection, first, other)?;
            }
            first
        }
        Choice::New => insert(connection, device)?,
    };
    let before = known
        .iter()
        .filter(|(id, _)| *id == row)
        .map(|(_, identity)| identity.clone())
        .next()
        .unwrap_or_default();
    update(connection, row, &merged(before, &device.identity))?;
    if let Some(name) = name_in(snapshot) {
        connection.execute(
            "UPDATE device SET name = ?2 WHERE id = ?1",
            params![row, name.raw()],
        )?;
    }
    Ok(row)
}

/// The marks in a row, from the column of this number on.
pub(super) fn identity_of(row: &Row<'_>, first: usize) -> rusqlite::Result<Identity> {
    let serial: Option<String> = row.get(first)?;
    let mac: Option<String> = row.get(first + 1)?;
    let stable: Option<bool> = row.get(first + 2)?;
    Ok(Identity {
        serial: serial.map(Untrusted::new),
        bssid: mac.and_then(|mac| parse_mac(&mac)).map(|mac| Bssid {
            mac,
            stable: stable.unwrap_or_default(),
        }),
        address: row.get(first + 3)?,
    })
}

/// Six bytes with colons or hyphens between them (IEEE 802 writes hyphens), in any case.
pub(super) fn parse_mac(text: &str) -> Option<[u8; 6]> {
    let parts: Vec<u8> = text
        .split([':', '-'])
        .map(|part| {
            let two = part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_hexdigit());
            two.then(|| u8::from_str_radix(part, 16).ok())?
        })
        .collect::<Option<_>>()?;
    parts.try_into().ok()
}

#[derive(Debug, PartialEq, Eq)]
enum Choice {
    Known(i64),
    /// Several rows turn out to be one device, since this reading bears the marks of each.
    OneInSeveralRows(i64, Vec<i64>),
    New,
}

fn choose(identity: &Identity, known: &[(i64, Identity)]) -> Choice {
    if !identity.is_strong() {
        return known
            .iter()
            .find(|(_, other)| !other.is_strong() && other.address == identity.address)
            .map_or(Choice::New, |(id, _)| Choice::Known(*id));
    }
    let same: Vec<&(i64, Identity)> = known
        .iter()
        .filter(|(_, other)| identity.compare(other) == Sameness::Same)
        .collect();
    match same.as_slice() {
        [] => Choice::New,
        [(id, _)] => Choice::Known(*id),
        [(first, _), others @ ..] => {
            let exact = same.iter().find(|(_, other)| has_all(other, identity));
            if let Some((id, _)) = exact {
                Choice::Known(*id)
            } else if apart(&same) {
                Choice::OneInSeveralRows(*first, others.iter().map(|(id, _)| *id).collect())
            } else {
                // Two devices share this mark, and nothing here says which of them it is.
                Choice::New
            }
        }
    }
}

/// Whether the rows know different marks, so that they cannot contradict each other.
fn apart(rows: &[&(i64, Identity)]) -> bool {
    rows.iter().enumerate().all(|(n, (_, one))| {
        rows[n + 1..]
            .iter()
            .all(|(_, other)| one.compare(other) == Sameness::Undetermined)
    })
}

/// Whether both know the same strong marks, no more and no fewer.
fn has_all(one: &Identity, other: &Identity) -> bool {
    let strong = |identity: &Identity| identity.bssid.filter(|bssid| bssid.stable);
    one.serial == other.serial && strong(one) == strong(other)
}

/// What is known stays; what is new is added. A BSSID that changes is replaced by the last, and by
/// a stable one for good; the address is the last.
fn merged(known: Identity, new: &Identity) -> Identity {
    let bssid = match (known.bssid, new.bssid) {
        (Some(known), Some(new)) if known.stable && !new.stable => Some(known),
        (known, new) => new.or(known),
    };
    Identity {
        serial: known.serial.or_else(|| new.serial.clone()),
        bssid,
        address: new.address.clone().or(known.address),
    }
}

/// The rows that a reading with these marks may be of: a shelf has thousands of one family, and
/// each is looked up by what it shows.
fn known_of(
    connection: &Connection,
    family: &str,
    role: Role,
    identity: &Identity,
) -> rusqlite::Result<Vec<(i64, Identity)>> {
    let select = |mark: &str| {
        format!(
            "SELECT id, {IDENTITY_COLUMNS} FROM device WHERE family = ?1 AND role = ?2 AND {mark}"
        )
    };
    let (sql, marks) = if identity.is_strong() {
        let serial = identity
            .serial
            .as_ref()
            .map(|serial| serial.raw().to_owned());
        let bssid = identity.bssid.map(|bssid| bssid.to_string());
        let either = [select("serial = ?3"), select("bssid = ?4")].join(" UNION ");
        (either, [serial, bssid])
    } else {
        // `IS` finds the row without an address, too.
        let alone = select("address IS ?3 AND ?4 IS NULL");
        (alone, [identity.address.clone(), None])
    };
    let [first, second] = marks;
    connection
        .prepare_cached(&format!("{sql} ORDER BY id"))?
        .query_map(params![family, role_word(role), first, second], |row| {
            Ok((row.get(0)?, identity_of(row, 1)?))
        })?
        .collect()
}

fn insert(connection: &Connection, device: &Device) -> rusqlite::Result<i64> {
    connection.execute(
        "INSERT INTO device (family, role) VALUES (?1, ?2)",
        params![device.family, role_word(device.role)],
    )?;
    Ok(connection.last_insert_rowid())
}

fn update(connection: &Connection, row: i64, identity: &Identity) -> rusqlite::Result<()> {
    connection.execute(
        "UPDATE device SET serial = ?2, bssid = ?3, bssid_stable = ?4, address = ?5 WHERE id = ?1",
        params![
            row,
            identity.serial.as_ref().map(Untrusted::raw),
            identity.bssid.map(|bssid| bssid.to_string()),
            identity.bssid.map(|bssid| bssid.stable),
            identity.address,
        ],
    )?;
    Ok(())
}

/// The reading that follows carries the marks of both rows, so only the records have to move.
fn fold(connection: &Connection, into: i64, row: i64) -> rusqlite::Result<()> {
    connection.execute(
        "UPDATE record SET device = ?1 WHERE device = ?2",
        params![into, row],
    )?;
    connection.execute("DELETE FROM device WHERE id = ?1", params![row])?;
    Ok(())
}

fn name_in(snapshot: &Snapshot) -> Option<&Untrusted> {
    let entry = snapshot.settings.get(SettingName::NAME)?;
    match entry.value() {
        Some(Value::Text(name)) if !entry.secret && !name.raw().is_empty() => Some(name),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn marks(serial: Option<&str>, bssid: Option<(u8, bool)>) -> Identity {
        Identity {
            serial: serial.map(Into::into),
            bssid: bssid.map(|(last, stable)| Bssid {
                mac: [2, 0, 0, 0, 0, last],
                stable,
            }),
            address: Some("http://192.168.77.1".into()),
        }
    }

    #[test]
    fn reading_with_the_marks_of_two_rows_makes_them_one() {
        let known = [
            (1, marks(Some("heron"), None)),
            (2, marks(None, Some((7, true)))),
        ];
        assert_eq!(
            choose(&marks(Some("heron"), Some((7, true))), &known),
            Choice::OneInSeveralRows(1, vec![2])
        );
    }

    #[test]
    fn mark_that_two_devices_share_decides_nothing() {
        let known = [
            (1, marks(Some("0000"), Some((7, true)))),
            (2, marks(Some("0000"), Some((8, true)))),
        ];
        assert_eq!(choose(&marks(Some("0000"), None), &known), Choice::New);
        assert_eq!(
            choose(&marks(Some("0000"), Some((8, true))), &known),
            Choice::Known(2)
        );
        let with_third = [&known[..], &[(3, marks(Some("0000"), None))]].concat();
        assert_eq!(
            choose(&marks(Some("0000"), None), &with_third),
            Choice::Known(3)
        );
    }

    #[test]
    fn reading_without_a_strong_mark_never_joins_a_device_that_has_one() {
        let known = [(1, marks(Some("heron"), None))];
        assert_eq!(choose(&marks(None, None), &known), Choice::New);
        let weak = [(1, marks(None, Some((7, false))))];
        assert_eq!(choose(&marks(Some("heron"), None), &weak), Choice::New);
        assert_eq!(
            choose(&marks(None, Some((9, false))), &weak),
            Choice::Known(1)
        );
    }

    #[test]
    fn mac_is_read_in_the_usual_ways_and_no_others() {
        let mac = Some([2, 0, 0x5e, 0, 0, 0xff]);
        assert_eq!(parse_mac("02:00:5e:00:00:ff"), mac);
        assert_eq!(parse_mac("02-00-5E-00-00-FF"), mac);
        for bad in ["", "02:00:5e:00:00", "02:00:5e:00:00:+f", "2:0:5e:0:0:ff"] {
            assert_eq!(parse_mac(bad), None, "{bad}");
        }
    }
}
