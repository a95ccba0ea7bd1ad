//! `zonda token`: who may reach the station from beyond its own machine.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use comfy_table::Table;
use zonda_model::{Name, Stamp};
use zonda_store::{Role, Tokens};

use crate::command::check;
use crate::exit::Exit;

/// Make, list and revoke tokens: who may reach page and API from beyond this machine.
///
/// On the machine itself nobody is asked. Beyond it (`listen` under `[http]` in the configuration) everybody
/// needs a token: `view` looks, `operate` also changes something. Only hashes are kept, beside the record; a
/// token that is revoked is refused from then on, also by a daemon that runs. Requests and answers are not
/// encrypted: across a network that you do not trust, put a TLS proxy or a VPN before the station.
#[derive(Debug, Args)]
#[command(after_help = "Examples:\n  \
    zonda token add wall-display --role view\n  \
    zonda token add night-shift --role operate\n  \
    zonda token list\n  \
    zonda token revoke wall-display\n  \
    curl -H \"Authorization: Bearer $ZONDA_TOKEN\" http://oven3:7360/api/v1/live")]
pub(crate) struct TokenCommand {
    #[command(subcommand)]
    order: Order,
    /// Directory of the record.
    #[arg(long, default_value = "data", global = true)]
    data: PathBuf,
    /// The daemon's configuration file, in place of --data.
    #[arg(long, global = true, conflicts_with = "data")]
    config: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum Order {
    /// Make a token and print it, once.
    Add {
        /// Who or what will hold it, such as `night-shift`.
        name: Name,
        /// `view` or `operate`.
        #[arg(long)]
        role: Role,
    },
    /// Show the tokens, without their secrets.
    List,
    /// Take a token away.
    Revoke {
        /// Its name.
        name: Name,
    },
}

impl TokenCommand {
    pub(crate) fn run(self) -> anyhow::Result<Exit> {
        let data = match &self.config {
            Some(file) => check::read(file)??.config.station.data,
            None => self.data,
        };
        let mut tokens = Tokens::load(&data)?;
        match self.order {
            Order::Add { name, role } => {
                std::fs::create_dir_all(&data)?;
                let secret = tokens.add(name, role, now())?;
                eprintln!("Copy it now; it is not shown again:");
                println!("{}", secret.reveal());
            }
            Order::List if tokens.all().is_empty() => {
                println!("There is no token. `zonda token add NAME --role view` makes one.");
            }
            Order::List => println!("{}", table(&tokens)),
            Order::Revoke { name } => {
                tokens.revoke(&name)?;
                println!("{name} is refused from now on.");
            }
        }
        Ok(Exit::Done)
    }
}

fn now() -> Stamp {
    Stamp::from_micros(jiff::Timestamp::now().as_microsecond())
}

fn table(tokens: &Tokens) -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING);
    table.set_header(["token", "role", "made"]);
    for token in tokens.all() {
        table.add_row([
            token.name.to_string(),
            token.role.word().to_owned(),
            token.made.to_string(),
        ]);
    }
    table
}
