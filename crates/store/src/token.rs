//! Tokens: who may look at a station, and who may operate it, from beyond its own machine.
//!
//! A token is 256 random bits, shown once. What stays is its BLAKE3 hash, with a name and a [`Role`], a
//! line each in the file `tokens` beside the record. A hash without salt or stretching is enough for
//! what nobody can guess. The file is read anew at every question, so that a token that is revoked is
//! refused from then on, whether or not a daemon runs meanwhile.

use std::fmt::{self, Write as _};
use std::fs::OpenOptions;
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::str::FromStr;

use zonda_model::{Name, Stamp};

const FILE: &str = "tokens";
/// What a token begins with, so that a person and a search for leaked secrets know it.
const PREFIX: &str = "zonda-";
const HEAD: &str = "# Hashes of tokens; `zonda token` writes this file. name role hash made_us\n";

/// What the holder of a token may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Look at everything.
    View,
    /// Change something, too: runs, notes, loop checks, corrections.
    Operate,
}

impl Role {
    /// The word for it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::View => "view",
            Self::Operate => "operate",
        }
    }
}

impl FromStr for Role {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "view" => Ok(Self::View),
            "operate" => Ok(Self::Operate),
            other => Err(format!(
                "`{other}` is no role; there are `view` and `operate`"
            )),
        }
    }
}

/// A token, without its secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    /// Who or what holds it.
    pub name: Name,
    /// What it is good for.
    pub role: Role,
    /// When it was made, true UTC.
    pub made: Stamp,
    hash: [u8; 32],
}

/// The secret of a new token: 256 random bits in hexadecimal. Shown once and kept nowhere.
pub struct Secret(String);

impl Secret {
    /// As it is handed over.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

/// Why tokens could not be read or changed.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// The file could not be read or written.
    #[error("the tokens in {path} could not be read or written: {source}")]
    File {
        /// Which file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A line of it is not one of ours.
    #[error(
        "line {line} of {path} is no token; take the line out, or the whole file and make tokens anew"
    )]
    Line {
        /// Which file.
        path: PathBuf,
        /// Its line, from 1.
        line: usize,
    },
    /// There is one of that name.
    #[error("there is a token `{0}` already; revoke it first, or choose another name")]
    Taken(Name),
    /// There is none of that name.
    #[error("there is no token `{0}`; `zonda token list` shows them")]
    Unknown(Name),
    /// The machine gave no random bits.
    #[error("the machine gave no random bits: {0}")]
    NoRandom(getrandom::Error),
}

/// The tokens of a data directory.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tokens {
    path: PathBuf,
    all: Vec<Token>,
}

impl Tokens {
    /// Reads them; none where there is no file.
    ///
    /// # Errors
    /// The file cannot be read, or is damaged.
    pub fn load(dir: &Path) -> Result<Self, TokenError> {
        let path = dir.join(FILE);
        let text = match std::fs::read_to_string(&path) {
            Ok(text) => text,
            Err(error) if error.kind() == io::ErrorKind::NotFound => String::new(),
            Err(source) => return Err(TokenError::File { path, source }),
        };
        let lines = text.lines().enumerate();
        let written = lines.filter(|(_, line)| !line.starts_with('#') && !line.is_empty());
        let all = written
            .map(|(index, line)| {
                parse(line).ok_or_else(|| TokenError::Line {
                    path: path.clone(),
                    line: index + 1,
                })
            })
            .collect::<Result<_, _>>()?;
        Ok(Self { path, all })
    }

    /// All of them, in the order of their making.
    pub fn all(&self) -> &[Token] {
        &self.all
    }

    /// The token with this secret.
    pub fn find(&self, secret: &str) -> Option<&Token> {
        // Hashes compare in constant time.
        let hash = blake3::hash(secret.as_bytes());
        self.all.iter().find(|token| hash == token.hash)
    }

    /// Makes one, and gives its secret.
    ///
    /// # Errors
    /// The name is taken, or the file cannot be written.
    pub fn add(&mut self, name: Name, role: Role, made: Stamp) -> Result<Secret, TokenError> {
        if self.all.iter().any(|token| token.name == name) {
            return Err(TokenError::Taken(name));
        }
        let mut bits = [0; 32];
        getrandom::fill(&mut bits).map_err(TokenError::NoRandom)?;
        let secret = Secret(format!("{PREFIX}{}", hexadecimal(&bits)));
        self.all.push(Token {
            name,
            role,
            made,
            hash: *blake3::hash(secret.0.as_bytes()).as_bytes(),
        });
        self.save()?;
        Ok(secret)
    }

    /// Takes one away.
    ///
    /// # Errors
    /// There is none of that name, or the file cannot be written.
    pub fn revoke(&mut self, name: &Name) -> Result<(), TokenError> {
        let before = self.all.len();
        self.all.retain(|token| token.name != *name);
        if self.all.len() == before {
            return Err(TokenError::Unknown(name.clone()));
        }
        self.save()
    }

    /// Writes the file beside its name and renames it, so that it is whole at every moment.
    fn save(&self) -> Result<(), TokenError> {
        let write = || {
            let partial = self.path.with_extension("partial");
            let mut file = OpenOptions::new()
                .write(true)
                .create(true)
                .truncate(true)
                .mode(0o600)
                .open(&partial)?;
            file.write_all(self.text().as_bytes())?;
            file.sync_all()?;
            std::fs::rename(&partial, &self.path)
        };
        write().map_err(|source| TokenError::File {
            path: self.path.clone(),
            source,
        })
    }

    fn text(&self) -> String {
        self.all.iter().fold(HEAD.to_owned(), |mut text, token| {
            let (role, hash) = (token.role.word(), hexadecimal(&token.hash));
            // A text takes everything.
            let _ = writeln!(text, "{} {role} {hash} {}", token.name, token.made.micros());
            text
        })
    }
}

fn parse(line: &str) -> Option<Token> {
    let mut words = line.split(' ');
    let token = Token {
        name: words.next()?.parse().ok()?,
        role: words.next()?.parse().ok()?,
        hash: *blake3::Hash::from_hex(words.next()?).ok()?.as_bytes(),
        made: Stamp::from_micros(words.next()?.parse().ok()?),
    };
    words.next().is_none().then_some(token)
}

fn hexadecimal(bytes: &[u8; 32]) -> String {
    blake3::Hash::from_bytes(*bytes).to_hex().to_string()
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    fn name(text: &str) -> Name {
        text.parse().unwrap()
    }

    #[test]
    fn a_token_is_known_by_its_secret_until_it_is_revoked() {
        let dir = tempfile::tempdir().unwrap();
        let mut tokens = Tokens::load(dir.path()).unwrap();
        let made = Stamp::from_millis(1);
        let desk = tokens.add(name("desk"), Role::Operate, made).unwrap();
        let wall = tokens.add(name("wall"), Role::View, made).unwrap();
        assert!(matches!(
            tokens.add(name("wall"), Role::Operate, made),
            Err(TokenError::Taken(_))
        ));

        let read = Tokens::load(dir.path()).unwrap();
        assert_eq!(read, tokens);
        assert_eq!(read.find(desk.reveal()).unwrap().role, Role::Operate);
        assert_eq!(read.find(wall.reveal()).unwrap().role, Role::View);
        for stranger in [
            "",
            "desk",
            &wall.reveal()[..69],
            &format!("{}0", desk.reveal()),
        ] {
            assert!(read.find(stranger).is_none(), "{stranger}");
        }

        tokens.revoke(&name("desk")).unwrap();
        assert!(matches!(
            tokens.revoke(&name("desk")),
            Err(TokenError::Unknown(_))
        ));
        assert!(
            Tokens::load(dir.path())
                .unwrap()
                .find(desk.reveal())
                .is_none()
        );
    }

    #[test]
    fn the_file_holds_no_secret_and_is_for_its_owner_alone() {
        let dir = tempfile::tempdir().unwrap();
        let mut tokens = Tokens::load(dir.path()).unwrap();
        let secret = tokens
            .add(name("desk"), Role::View, Stamp::from_millis(1))
            .unwrap();
        let path = dir.path().join(FILE);
        let text = std::fs::read_to_string(&path).unwrap();
        assert!(!text.contains(&secret.reveal()[PREFIX.len()..]), "{text}");
        assert_eq!(secret.reveal().len(), PREFIX.len() + 64, "256 bits");
        assert_eq!(path.metadata().unwrap().permissions().mode() & 0o777, 0o600);
        assert!(!format!("{secret:?}").contains("zonda-"));
    }

    #[test]
    fn a_damaged_file_is_named_and_nobody_gets_in_by_it() {
        let dir = tempfile::tempdir().unwrap();
        for bad in ["desk", "desk operate 00 1", "desk all 00 1", "a view b c d"] {
            std::fs::write(dir.path().join(FILE), format!("{HEAD}\n{bad}\n")).unwrap();
            let error = Tokens::load(dir.path()).unwrap_err();
            assert!(error.to_string().contains("line 3"), "{error}");
        }
    }
}
