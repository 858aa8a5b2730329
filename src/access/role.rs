//! What somebody may do: permissions, the roles that are sets of them, and who is asking. Must never hold a secret.
//!
//! A route asks for one permission (`x-permission` in the API's document); a role has the ones that its line in `ROLES` lists.
//! Roles have no order: `field` may do what `operate` may not, and the other way round.

use std::fmt;

/// One thing that somebody may do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Permission {
    /// See everything that is shown.
    View,
    /// Acknowledge an alarm.
    Acknowledge,
    /// Enter what a check at the panel showed.
    EnterFindings,
    /// Act on alarms beyond acknowledging: shelve, reset, take out of service.
    OperateAlarms,
    /// Set a critical alarm aside: shelve it, take it out of service.
    SetCriticalAside,
    /// Change how the daemon runs, and withdraw findings.
    Configure,
}

impl Permission {
    /// All of them.
    pub const ALL: [Permission; 6] = [
        Permission::View,
        Permission::Acknowledge,
        Permission::EnterFindings,
        Permission::OperateAlarms,
        Permission::SetCriticalAside,
        Permission::Configure,
    ];

    /// Stable word of the API's document.
    pub fn key(self) -> &'static str {
        match self {
            Permission::View => "view",
            Permission::Acknowledge => "acknowledge",
            Permission::EnterFindings => "enter-findings",
            Permission::OperateAlarms => "operate-alarms",
            Permission::SetCriticalAside => "set-critical-aside",
            Permission::Configure => "configure",
        }
    }

    /// The permission of a word.
    pub fn of_key(key: &str) -> Option<Permission> {
        Permission::ALL.into_iter().find(|permission| permission.key() == key)
    }
}

impl fmt::Display for Permission {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}

/// A set of permissions under a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Role {
    /// Looks on.
    View,
    /// Works at panels.
    Field,
    /// Runs the control room.
    Operate,
    /// Answers for the system.
    Engineer,
}

/// One role: its word, what it is for, what it may do.
struct Line {
    role: Role,
    key: &'static str,
    summary: &'static str,
    may: &'static [Permission],
}

/// All roles.
const ROLES: [Line; 4] = [
    Line { role: Role::View, key: "view", summary: "See everything, change nothing", may: &[Permission::View] },
    Line {
        role: Role::Field,
        key: "field",
        summary: "Technician: see everything, enter what was found at a panel, acknowledge alarms",
        may: &[Permission::View, Permission::EnterFindings, Permission::Acknowledge],
    },
    Line {
        role: Role::Operate,
        key: "operate",
        summary: "Operator: see everything, act on alarms",
        may: &[Permission::View, Permission::Acknowledge, Permission::OperateAlarms],
    },
    Line {
        role: Role::Engineer,
        key: "engineer",
        summary: "Everything: also enter and withdraw findings, and change how the daemon runs",
        may: &Permission::ALL,
    },
];

impl Role {
    /// All of them.
    pub const ALL: [Role; 4] = [ROLES[0].role, ROLES[1].role, ROLES[2].role, ROLES[3].role];

    fn line(self) -> &'static Line {
        &ROLES[self as usize]
    }

    /// Stable word for files and records.
    pub fn key(self) -> &'static str {
        self.line().key
    }

    /// What it is for, in a few words.
    pub fn summary(self) -> &'static str {
        self.line().summary
    }

    /// The role of a word.
    pub fn of_key(key: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|role| role.key() == key)
    }

    /// True when it has the permission.
    pub fn may(self, permission: Permission) -> bool {
        self.line().may.contains(&permission)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.key())
    }
}

/// Who is asking, once that is proven.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Principal {
    /// Name, as records give it.
    pub name: String,
    /// What they may do.
    pub role: Role,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_lead_back_and_every_role_stands_on_its_own_line() {
        for role in Role::ALL {
            assert_eq!(role.line().role, role);
            assert_eq!(Role::of_key(role.key()), Some(role));
            assert!(role.may(Permission::View), "{role}");
        }
        for permission in Permission::ALL {
            assert_eq!(Permission::of_key(permission.key()), Some(permission));
        }
        assert_eq!(Role::of_key("Engineer"), None);
    }

    #[test]
    fn a_technician_enters_findings_and_acknowledges_and_nothing_else() {
        let has = |role: Role| Permission::ALL.into_iter().filter(|p| role.may(*p)).collect::<Vec<_>>();
        assert_eq!(has(Role::View), [Permission::View]);
        assert_eq!(has(Role::Field), [Permission::View, Permission::Acknowledge, Permission::EnterFindings]);
        assert_eq!(has(Role::Operate), [Permission::View, Permission::Acknowledge, Permission::OperateAlarms]);
        assert_eq!(has(Role::Engineer), Permission::ALL);
    }
}
