//! The format of the file: its migrations, and what is refused before any of them runs.

use sqlx::migrate::Migrator;
use sqlx::{Connection, SqliteConnection};
use zonda_model::Quality;

use crate::error::StoreError;

/// Numbered SQL; embedded, so that the program is all it takes.
static MIGRATIONS: Migrator = sqlx::migrate!("../../migrations");

/// `Znda`: what kind of file it is, as the first migration sets it.
const APPLICATION: i64 = 0x5A6E_6461;

/// The newest format known here: the number of the last migration, which also sets `user_version`.
pub(crate) fn known() -> i64 {
    MIGRATIONS
        .iter()
        .map(|migration| migration.version)
        .max()
        .unwrap_or(0)
}

/// What a file says it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Found {
    /// Nothing in it yet.
    Empty,
    /// A record of this format.
    Record(i64),
    /// Somebody else's database.
    Foreign,
}

/// What the file says it is. Changes nothing.
pub(crate) async fn identify(connection: &mut SqliteConnection) -> Result<Found, sqlx::Error> {
    let application: i64 = sqlx::query_scalar("PRAGMA application_id")
        .fetch_one(&mut *connection)
        .await?;
    let format: i64 = sqlx::query_scalar("PRAGMA user_version")
        .fetch_one(&mut *connection)
        .await?;
    let tables: i64 =
        sqlx::query_scalar("SELECT count(*) FROM sqlite_schema WHERE name <> '_sqlx_migrations'")
            .fetch_one(connection)
            .await?;
    Ok(match (application, tables) {
        (APPLICATION, _) => Found::Record(format),
        (0, 0) => Found::Empty, // also one whose first migration was cut off
        _ => Found::Foreign,
    })
}

/// Brings a file up to date. The caller has made sure that it is ours and not newer.
pub(crate) async fn migrate(connection: &mut SqliteConnection) -> Result<(), StoreError> {
    // What `run` does. The compiler cannot show of `run` that it may go from thread to thread.
    MIGRATIONS
        .run_direct(None, &mut *connection, false)
        .await
        .map_err(sqlx::Error::from)?;
    write_flag_words(connection).await
}

/// The words of the quality bits, for the views. New programs know more bits.
async fn write_flag_words(connection: &mut SqliteConnection) -> Result<(), StoreError> {
    let mut transaction = connection.begin_with("BEGIN IMMEDIATE").await?;
    for (_, flag) in Quality::all().iter_names() {
        let (bit, word) = (i64::from(flag.bits()), flag.to_string());
        sqlx::query!(
            "INSERT INTO flag (bit, word) VALUES (?, ?) ON CONFLICT DO NOTHING",
            bit,
            word
        )
        .execute(&mut *transaction)
        .await?;
    }
    transaction.commit().await?;
    Ok(())
}
