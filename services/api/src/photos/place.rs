//! Where the bytes of photos lie: a folder of this machine, every write through to the disk, or a bucket of S3.
//!
//! `staging/<digest>/<uploader>/<offset>-<object>` are pieces, `originals/<digest>` the bytes as they were taken,
//! `views/<digest>` the copies for viewing. Nothing here is listed to answer a question: what counts stands in the database.

use crate::limits::PHOTO_CHECKS;
use clampward_domain::photo::PhotoDigest;
use object_store::local::LocalFileSystem;
use object_store::path::Path;
use object_store::{ObjectStore, ObjectStoreExt, PutPayload};
use std::path::PathBuf;
use std::str::FromStr;
use std::sync::Arc;
use tokio::sync::{OnceCell, Semaphore};
use uuid::Uuid;

/// Where they lie.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// In a folder, which is made when it is first needed.
    Folder(PathBuf),
    /// In a bucket, below a prefix. Address and keys are those that other programs read too: `AWS_ENDPOINT`, `AWS_REGION`,
    /// `AWS_ACCESS_KEY_ID`, `AWS_SECRET_ACCESS_KEY`.
    Bucket {
        /// The bucket.
        name: String,
        /// What all names begin with.
        prefix: String,
    },
}

/// What is no place for photos.
#[derive(Debug, thiserror::Error)]
pub enum InvalidPlace {
    /// No bucket is named.
    #[error("write s3://bucket or s3://bucket/prefix")]
    NoBucket,
    /// Built without.
    #[error("this build knows no S3: build it with the feature s3")]
    NoS3,
}

impl FromStr for Place {
    type Err = InvalidPlace;

    fn from_str(text: &str) -> Result<Self, InvalidPlace> {
        let Some(address) = text.strip_prefix("s3://") else {
            return Ok(Self::Folder(PathBuf::from(text)));
        };
        if !cfg!(feature = "s3") {
            return Err(InvalidPlace::NoS3);
        }
        let (name, prefix) = address.split_once('/').unwrap_or((address, ""));
        if name.is_empty() {
            return Err(InvalidPlace::NoBucket);
        }
        Ok(Self::Bucket {
            name: name.to_owned(),
            prefix: prefix.trim_matches('/').to_owned(),
        })
    }
}

/// The object store of one process, shared by its workers.
#[derive(Debug)]
pub struct Photos {
    place: Place,
    opened: OnceCell<Arc<dyn ObjectStore>>,
    /// Photos that are being looked at.
    pub(super) checks: Arc<Semaphore>,
}

/// The name of an object.
pub(super) enum Object {
    /// A piece of an upload.
    Piece(PhotoDigest, Uuid, u64, Uuid),
    /// The bytes as they were taken.
    Original(PhotoDigest),
    /// The copy for viewing.
    View(PhotoDigest),
}

/// Where pieces lie.
const STAGING: &str = "staging";

impl Object {
    fn path(&self) -> Path {
        match self {
            Self::Piece(digest, uploader, starts_at, object) => Path::from_iter([
                STAGING,
                &digest.to_string(),
                &uploader.to_string(),
                &format!("{starts_at}-{object}"),
            ]),
            Self::Original(digest) => Path::from_iter(["originals", &digest.to_string()]),
            Self::View(digest) => Path::from_iter(["views", &digest.to_string()]),
        }
    }
}

/// A piece as it lies about: its name, which may be nobody's any more.
pub(super) struct Lying {
    path: Path,
    /// The object that it is, if its name tells one.
    pub(super) object: Option<Uuid>,
}

impl Photos {
    /// Opens nothing yet.
    pub fn new(place: Place) -> Self {
        Self {
            place,
            opened: OnceCell::new(),
            checks: Arc::new(Semaphore::new(PHOTO_CHECKS.count())),
        }
    }

    async fn objects(&self) -> object_store::Result<&Arc<dyn ObjectStore>> {
        self.opened
            .get_or_try_init(|| async {
                match &self.place {
                    Place::Folder(folder) => {
                        let failed = |source| object_store::Error::Generic {
                            store: "LocalFileSystem",
                            source: Box::new(source),
                        };
                        tokio::fs::create_dir_all(folder).await.map_err(failed)?;
                        let local = LocalFileSystem::new_with_prefix(folder)?;
                        let local = local.with_fsync(true).with_automatic_cleanup(true);
                        let local: Arc<dyn ObjectStore> = Arc::new(local);
                        Ok(local)
                    }
                    Place::Bucket { name, prefix } => bucket(name, prefix),
                }
            })
            .await
    }

    pub(super) async fn put(
        &self,
        object: &Object,
        bytes: impl Into<PutPayload>,
    ) -> object_store::Result<()> {
        self.objects().await?.put(&object.path(), bytes.into()).await?;
        Ok(())
    }

    /// An object's bytes; none if it is not there.
    pub(super) async fn get(&self, object: &Object) -> object_store::Result<Option<Vec<u8>>> {
        match self.objects().await?.get(&object.path()).await {
            Ok(found) => Ok(Some(found.bytes().await?.to_vec())),
            Err(object_store::Error::NotFound { .. }) => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// Takes an object away; one that is not there is gone already.
    pub(super) async fn delete(&self, object: &Object) -> object_store::Result<()> {
        self.delete_path(&object.path()).await
    }

    async fn delete_path(&self, path: &Path) -> object_store::Result<()> {
        match self.objects().await?.delete(path).await {
            Ok(()) | Err(object_store::Error::NotFound { .. }) => Ok(()),
            Err(error) => Err(error),
        }
    }

    /// Pieces that were stored before an instant, at most so many.
    pub(super) async fn lying_since(
        &self,
        before: jiff::Timestamp,
        most: usize,
    ) -> object_store::Result<Vec<Lying>> {
        use futures_util::TryStreamExt;
        if let Place::Folder(folder) = &self.place
            && !tokio::fs::try_exists(folder).await.unwrap_or(false)
        {
            return Ok(Vec::new());
        }
        let mut found = self.objects().await?.list(Some(&Path::from(STAGING)));
        let mut lying = Vec::new();
        while let Some(meta) = found.try_next().await? {
            if meta.last_modified.timestamp() >= before.as_second() {
                continue;
            }
            let name = meta.location.filename().unwrap_or_default();
            let object = name.split_once('-').and_then(|(_, object)| object.parse().ok());
            lying.push(Lying {
                path: meta.location,
                object,
            });
            if lying.len() >= most {
                break;
            }
        }
        Ok(lying)
    }

    /// Takes a piece away that is nobody's.
    pub(super) async fn delete_lying(&self, lying: &Lying) -> object_store::Result<()> {
        self.delete_path(&lying.path).await
    }
}

#[cfg(feature = "s3")]
fn bucket(name: &str, prefix: &str) -> object_store::Result<Arc<dyn ObjectStore>> {
    use object_store::aws::AmazonS3Builder;
    use object_store::prefix::PrefixStore;
    let bucket = AmazonS3Builder::from_env().with_bucket_name(name).build()?;
    Ok(Arc::new(PrefixStore::new(bucket, prefix)))
}

#[cfg(not(feature = "s3"))]
fn bucket(name: &str, _: &str) -> object_store::Result<Arc<dyn ObjectStore>> {
    Err(object_store::Error::NotSupported {
        source: format!("this build knows no S3, so not {name} either").into(),
    })
}
