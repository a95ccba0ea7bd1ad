//! What the typesetter may see: its template, one document, the fonts. No disk, no network, no clock.

use std::sync::LazyLock;

use typst::diag::{FileError, FileResult};
use typst::foundations::{Bytes, Datetime, Duration};
use typst::syntax::{FileId, RootedPath, Source, VirtualPath, VirtualRoot};
use typst::text::{Font, FontBook};
use typst::utils::LazyHash;
use typst::{Feature, Library, LibraryExt, World};
use typst_kit::fonts::FontStore;

const TEMPLATE: &str = include_str!("report.typ");

/// A template and what it is filled with.
pub(crate) struct Desk {
    library: LazyHash<Library>,
    fonts: FontStore,
    template: Source,
    document: Bytes,
    pictures: Vec<(FileId, Bytes)>,
}

static TEMPLATE_ID: LazyLock<FileId> = LazyLock::new(|| id("report.typ"));
static DOCUMENT_ID: LazyLock<FileId> = LazyLock::new(|| id("document.json"));

fn id(name: &str) -> FileId {
    #[expect(clippy::expect_used, reason = "names written in this program")]
    let path = VirtualPath::new(name).expect("a plain file name is a path");
    RootedPath::new(VirtualRoot::Project, path).intern()
}

impl Desk {
    /// With these fonts, this document as JSON, and pictures under the names that it calls them by.
    pub(crate) fn new(
        fonts: FontStore,
        document: String,
        pictures: Vec<(String, Vec<u8>)>,
    ) -> Self {
        // Row headers of tables are told to screen readers.
        let features = [Feature::A11yExtras].into_iter().collect();
        let library = Library::builder().with_features(features).build();
        Self {
            library: LazyHash::new(library),
            fonts,
            template: Source::new(*TEMPLATE_ID, TEMPLATE.to_owned()),
            document: Bytes::from_string(document),
            pictures: pictures
                .into_iter()
                .map(|(name, bytes)| (id(&name), Bytes::new(bytes)))
                .collect(),
        }
    }
}

impl World for Desk {
    fn library(&self) -> &LazyHash<Library> {
        &self.library
    }

    fn book(&self) -> &LazyHash<FontBook> {
        self.fonts.book()
    }

    fn main(&self) -> FileId {
        *TEMPLATE_ID
    }

    fn source(&self, id: FileId) -> FileResult<Source> {
        if id == *TEMPLATE_ID {
            return Ok(self.template.clone());
        }
        Err(FileError::AccessDenied)
    }

    fn file(&self, id: FileId) -> FileResult<Bytes> {
        if id == *DOCUMENT_ID {
            return Ok(self.document.clone());
        }
        let mut pictures = self.pictures.iter();
        let picture = pictures.find(|(own, _)| *own == id);
        picture
            .map(|(_, bytes)| bytes.clone())
            .ok_or(FileError::AccessDenied)
    }

    fn font(&self, index: usize) -> Option<Font> {
        self.fonts.font(index)
    }

    fn today(&self, _offset: Option<Duration>) -> Option<Datetime> {
        None
    }
}
