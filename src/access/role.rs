//! The three roles, each with all that the one before it may do, and who is asking. Must never hold a secret.

use std::fmt;

/// What somebody may do. A greater role may do all that a smaller one may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// See everything that is shown; change nothing.
    View,
    /// Act on alarms: acknowledge, shelve, take out of service.
    Operate,
    /// Enter what was found at a panel, and change how the daemon runs.
    Engineer,
}

impl Role {
    /// All of them, the smallest first.
    pub const ALL: [Role; 3] = [Role::View, Role::Operate, Role::Engineer];

    /// Stable word for files and records.
    pub fn key(self) -> &'static str {
        match self {
            Role::View => "view",
            Role::Operate => "operate",
            Role::Engineer => "engineer",
        }
    }

    /// The role of a word.
    pub fn of_key(key: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|role| role.key() == key)
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
    fn roles_are_ordered_and_their_words_lead_back() {
        assert!(Role::View < Role::Operate && Role::Operate < Role::Engineer);
        for role in Role::ALL {
            assert_eq!(Role::of_key(role.key()), Some(role));
        }
        assert_eq!(Role::of_key("Engineer"), None);
    }
}
