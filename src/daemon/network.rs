//! What kind of file system a path lies on: on one of a network locks and shared memory cannot be trusted, and
//! no event tells what other machines change.

use std::path::Path;

/// File system numbers from `linux/magic.h` and statfs(2) whose files other machines, or a host
/// beside us, may change.
const NETWORK: [u32; 13] = [
    0x0000_6969, // NFS
    0x0000_517b, // SMB
    0xff53_4d42, // CIFS
    0xfe53_4d42, // SMB 2
    0x0000_564c, // NCP
    0x7375_7245, // Coda
    0x5346_414f, // AFS
    0x6b41_4653, // AFS, kernel client
    0x0102_1997, // 9P
    0x00c3_6400, // Ceph
    0x0bd0_0bd0, // Lustre
    0x4750_4653, // GPFS
    0x0116_1970, // GFS2
];

/// Whatever a program makes of it: local disks for the most part, but shares as well.
const FUSE: u32 = 0x6573_5546;

/// True where `path`, or the nearest folder above it that is there, lies on a network file
/// system. False where that cannot be found out.
pub(super) fn on_network(path: &Path) -> bool {
    number(path).is_some_and(is_network)
}

/// True where others may change what lies there without an event: to look too often on a local disk costs
/// little, too seldom on a share a night.
pub(super) fn changes_unseen(path: &Path) -> bool {
    number(path).is_some_and(may_change_unseen)
}

fn is_network(number: u32) -> bool {
    NETWORK.contains(&number)
}

fn may_change_unseen(number: u32) -> bool {
    is_network(number) || number == FUSE
}

fn number(path: &Path) -> Option<u32> {
    let about = path.ancestors().find_map(|place| {
        let place = if place.as_os_str().is_empty() {
            Path::new(".")
        } else {
            place
        };
        rustix::fs::statfs(place).ok()
    });
    // 32 bits wide; some systems sign-extend it.
    about.map(|about| about.f_type as u32)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::expect_used)]

    use super::*;

    #[test]
    fn kernel_and_temporary_folders_are_local() {
        for path in ["/proc", "/proc/self/not-there", "", "not/there/either"] {
            assert!(!on_network(Path::new(path)), "{path}");
        }
    }

    #[test]
    fn numbers_are_told_apart() {
        let cifs = 0xffff_ffff_ff53_4d42_u64 as u32;
        for (number, network, unseen) in [
            (cifs, true, true),
            (0x6969, true, true),
            (FUSE, false, true),
            (0xef53, false, false), // ext4
        ] {
            assert_eq!(is_network(number), network, "{number:x}");
            assert_eq!(may_change_unseen(number), unseen, "{number:x}");
        }
    }
}
