//! Whether a file lies on a network share. SQLite's write-ahead log needs memory that all its users share, which no network
//! file system gives between machines (SQLite's documentation, "Write-Ahead Logging", section 1).

use std::path::Path;

/// Types of file systems whose files other machines may use at the same time, as Linux names them.
const NETWORK: [&str; 27] = [
    "9p",
    "acfs",
    "afs",
    "beegfs",
    "ceph",
    "cifs",
    "coda",
    "davfs",
    "fuse.ceph",
    "fuse.cephfs",
    "fuse.davfs2",
    "fuse.glusterfs",
    "fuse.gvfsd-fuse",
    "fuse.juicefs",
    "fuse.rclone",
    "fuse.s3fs",
    "fuse.sshfs",
    "gfs2",
    "glusterfs",
    "gpfs",
    "lustre",
    "ncpfs",
    "nfs",
    "nfs4",
    "smb3",
    "smbfs",
    "ocfs2",
];

/// The type of the network file system that an absolute path lies on, from the text of `/proc/self/mountinfo` (proc(5)); `None`
/// when it lies on another one or the text does not say.
#[must_use]
pub fn network_file_system(mountinfo: &str, path: &Path) -> Option<String> {
    let mounts = mountinfo.lines().filter_map(|line| {
        // `36 35 98:0 /root /mount/point options… - type source options`
        let (head, tail) = line.split_once(" - ")?;
        let point = unescaped(head.split(' ').nth(4)?);
        Some((point, tail.split(' ').next()?))
    });
    // Of mounts at the same point the last one is on top.
    let (_, kind) = mounts
        .filter(|(point, _)| path.starts_with(point))
        .max_by_key(|(point, _)| Path::new(point).components().count())?;
    NETWORK.contains(&kind).then(|| kind.to_owned())
}

/// Blanks, tabs, line ends and backslashes stand in octal.
fn unescaped(text: &str) -> String {
    [("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")]
        .iter()
        .fold(text.to_owned(), |text, (code, plain)| text.replace(code, plain))
}

/// The type of the network file system that a file lies or will lie on.
pub(super) fn of_path(path: &Path) -> Option<String> {
    if path.as_os_str().to_str().is_some_and(|text| text.starts_with("\\\\")) {
        return Some("a path of another machine".to_owned());
    }
    let folder = path.parent()?;
    let real = std::fs::canonicalize(path).or_else(|_| std::fs::canonicalize(folder)).ok()?;
    network_file_system(&std::fs::read_to_string("/proc/self/mountinfo").ok()?, &real)
}

#[cfg(test)]
mod tests {
    use super::*;

    const MOUNTS: &str = "22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
36 22 0:33 / /mnt/lab rw shared:7 - nfs4 server:/lab rw,vers=4.2
37 22 0:34 / /mnt/lab/local rw - xfs /dev/sdb1 rw
38 22 0:35 / /mnt/two\\040words rw,nosuid master:1 - cifs //server/two rw
39 22 0:36 / /data rw - ext4 /dev/sdc1 rw
40 39 0:37 / /data rw - fuse.sshfs host: rw";

    #[test]
    fn the_longest_mount_point_counts() {
        for (path, want) in [
            ("/home/a/history.db", None),
            ("/mnt/lab/history.db", Some("nfs4")),
            ("/mnt/laboratory/history.db", None),
            ("/mnt/lab/local/history.db", None),
            ("/mnt/two words/x/history.db", Some("cifs")),
            ("/data/history.db", Some("fuse.sshfs")),
        ] {
            assert_eq!(network_file_system(MOUNTS, Path::new(path)).as_deref(), want, "{path}");
        }
        assert_eq!(network_file_system("", Path::new("/a")), None);
    }
}
