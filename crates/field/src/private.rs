//! Files that only their owner reads: what people wrote, and what signs for them.

use crate::failure::{Done, Failure};
use std::fs::{DirBuilder, OpenOptions, Permissions};
use std::io::ErrorKind;
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// Read and written by its owner.
const FILE: u32 = 0o600;
/// The same of a folder.
const FOLDER: u32 = 0o700;
/// Everybody else.
const OTHERS: u32 = 0o077;

fn failed(path: &Path) -> impl FnOnce(std::io::Error) -> Failure {
    let path = path.display().to_string();
    move |cause| Failure::File { path, cause }
}

/// Makes a folder, if there is none. One that is there is somebody's choice and stays as it is.
pub fn folder(path: &Path) -> Done {
    DirBuilder::new()
        .recursive(true)
        .mode(FOLDER)
        .create(path)
        .map_err(failed(path))
}

/// How a file is opened for writing, and made if there is none.
pub fn options() -> OpenOptions {
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(false).mode(FILE);
    options
}

/// Takes a file that is there away from everybody but its owner.
pub fn tighten(path: &Path) -> Done {
    let mode = match std::fs::metadata(path) {
        Ok(found) if found.is_file() => found.permissions().mode(),
        Ok(_) => return Ok(()),
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(failed(path)(error)),
    };
    if mode & OTHERS == 0 {
        return Ok(());
    }
    std::fs::set_permissions(path, Permissions::from_mode(FILE)).map_err(failed(path))
}

/// Prepares a database. SQLite gives the files that it puts beside it the mode of the first; those of an earlier version
/// are tightened. One that is there is not opened here: to close it would end the locks of this process on it.
pub fn database(path: &Path) -> Done {
    match options().create_new(true).open(path) {
        Ok(_) => {}
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {}
        Err(error) => return Err(failed(path)(error)),
    }
    for ending in ["", "-wal", "-shm"] {
        let mut name = path.as_os_str().to_owned();
        name.push(ending);
        tighten(&PathBuf::from(name))?;
    }
    Ok(())
}
