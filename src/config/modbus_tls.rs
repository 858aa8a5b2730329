//! The `[modbus_server.tls]` table: certificates, and what each role may read.
//!
//! Must never open a file: whether certificates are good is known only to what uses them.

use std::path::PathBuf;

use super::super::model::{ModbusRole, ModbusTlsConfig};
use super::super::reader::{Fault, Field, Located, TableReader, integer_of};
use super::super::station::{MAX_NAME_CHARS, Names};
use super::Units;

/// Reads the table; the inner option is none when there is no such table.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
pub(super) fn read_tls(server: &TableReader<'_>, units: &Units) -> Option<Option<ModbusTlsConfig>> {
    let Some(table) = server.table("tls") else { return Some(None) };
    let certificate = file(&table, "certificate", "server.pem");
    let key = file(&table, "key", "server.key");
    let client_authority = file(&table, "client_authority", "clients.pem");
    let roles = read_roles(&table, units);
    table.finish();
    Some(Some(ModbusTlsConfig {
        certificate: certificate?,
        key: key?,
        client_authority: client_authority?,
        roles: roles?,
    }))
}

fn file(table: &TableReader<'_>, key: &'static str, example: &str) -> Option<PathBuf> {
    let path = table.text(key, example);
    let path = table.need(key, path, &format!("name the file (PEM), for example {key} = {example:?}"));
    let path = table.check(key, path, |text| {
        if text.trim().is_empty() || text.contains('\0') {
            Err(Fault::new("this is not a file", format!("write for example {key} = {example:?}")))
        } else {
            Ok(PathBuf::from(text))
        }
    });
    path.value()
}

fn read_roles(table: &TableReader<'_>, units: &Units) -> Option<Vec<ModbusRole>> {
    let roles = table.tables("roles");
    let roles = table.need("roles", roles, "say what a role may read, under a header [[modbus_server.tls.roles]]");
    let mut names = Names::new("role");
    let mut all = Some(Vec::new());
    for entry in roles.value()? {
        let name = entry.name("name", MAX_NAME_CHARS, "scada");
        let name = entry.need("name", name, "name the role as the certificates do, for example name = \"scada\"");
        let name = names.take(&entry, name);
        let allowed = read_units(&entry, units);
        entry.finish();
        match (name, allowed, &mut all) {
            (Some(name), Some(units), Some(roles)) => roles.push(ModbusRole { name, units }),
            _ => all = None,
        }
    }
    all
}

/// Unit ids a role may read; the inner option is none for all.
#[allow(clippy::option_option, reason = "absent, and at fault, are two things")]
fn read_units(entry: &TableReader<'_>, units: &Units) -> Option<Option<Vec<u8>>> {
    let items = match entry.array("units", "[1, 11]") {
        Field::Absent => return Some(None),
        Field::Bad => return None,
        Field::Good(Located { value: [], span }) => {
            let fault = Fault::new("a role without units may read nothing", "leave units out where all may be read");
            entry.fault("units", &span, fault);
            return None;
        }
        Field::Good(Located { value, .. }) => value,
    };
    let mut all = Some(Vec::new());
    for item in items {
        let unit = integer_of("units", item.get_ref(), &(1..=247)).and_then(|unit| {
            let unknown =
                || Fault::new(format!("unit {unit} is nothing here"), "name units of this server, or leave units out");
            u8::try_from(unit).ok().filter(|_| units.has(unit)).ok_or_else(unknown)
        });
        match (unit, &mut all) {
            (Ok(unit), Some(list)) => list.push(unit),
            (Ok(_), None) => {}
            (Err(fault), _) => {
                entry.fault("units", &item.span(), fault);
                all = None;
            }
        }
    }
    all.map(Some)
}
