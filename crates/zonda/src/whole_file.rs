//! A file that is whole or not there: written beside its name, renamed at the end.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, bail};

/// A file under way. Dropped before [`finish`](Self::finish), by an error or because the writing was
/// cancelled, it leaves nothing behind.
#[derive(Debug)]
pub(crate) struct WholeFile {
    out: BufWriter<File>,
    target: PathBuf,
    partial: PathBuf,
    is_finished: bool,
}

impl WholeFile {
    /// Begins it.
    ///
    /// # Errors
    /// It exists and must not be written over, or it cannot be made.
    pub(crate) fn create(target: &Path, may_replace: bool) -> anyhow::Result<Self> {
        if !may_replace && target.exists() {
            bail!(
                "{} exists; choose another name, or say --force",
                target.display()
            );
        }
        let mut partial = target.as_os_str().to_owned();
        partial.push(".partial");
        let partial = PathBuf::from(partial);
        let file = File::create(&partial)
            .with_context(|| format!("cannot write {}", partial.display()))?;
        Ok(Self {
            out: BufWriter::with_capacity(1 << 16, file),
            target: target.to_owned(),
            partial,
            is_finished: false,
        })
    }

    /// Where it lies until it is whole, for whoever writes it by that name.
    pub(crate) fn path(&self) -> &Path {
        &self.partial
    }

    /// Gives it its name, once all of it is on the disk.
    ///
    /// # Errors
    /// The disk did not take it.
    pub(crate) fn finish(mut self) -> anyhow::Result<()> {
        self.settle()
            .with_context(|| format!("cannot write {}", self.target.display()))?;
        self.is_finished = true;
        Ok(())
    }

    fn settle(&mut self) -> io::Result<()> {
        self.out.flush()?;
        self.out.get_ref().sync_all()?;
        std::fs::rename(&self.partial, &self.target)
    }
}

impl Write for WholeFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.out.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

impl Drop for WholeFile {
    fn drop(&mut self) {
        if !self.is_finished {
            // What remains is at worst a file whose name says that it is not whole.
            let _ = std::fs::remove_file(&self.partial);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_finished_is_not_there() {
        let dir = tempfile::tempdir().unwrap();
        let target = dir.path().join("night.csv");
        let mut file = WholeFile::create(&target, false).unwrap();
        file.write_all(b"half").unwrap();
        drop(file);
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);

        let mut file = WholeFile::create(&target, false).unwrap();
        file.write_all(b"whole").unwrap();
        file.finish().unwrap();
        assert_eq!(std::fs::read(&target).unwrap(), b"whole");
        assert!(WholeFile::create(&target, false).is_err());
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
        WholeFile::create(&target, true).unwrap().finish().unwrap();
        assert_eq!(std::fs::read(&target).unwrap(), b"");
    }
}
