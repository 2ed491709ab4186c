//! Whether a path lies on a network file system, where locks and shared memory cannot be trusted.

use std::path::Path;

/// File system numbers from `linux/magic.h` and statfs(2) whose files other machines, or a host
/// beside us, may change. FUSE is not among them: most of it is local disks.
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

/// True where `path`, or the nearest folder above it that is there, lies on a network file
/// system. False where that cannot be found out.
pub fn on_network(path: &Path) -> bool {
    path.ancestors()
        .find_map(|place| {
            let place = if place.as_os_str().is_empty() {
                Path::new(".")
            } else {
                place
            };
            rustix::fs::statfs(place).ok()
        })
        // The number is 32 bits wide; some systems sign-extend it.
        .is_some_and(|about| NETWORK.contains(&(about.f_type as u32)))
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
        assert!(NETWORK.contains(&(0xffff_ffff_ff53_4d42_u64 as u32)));
        assert!(!NETWORK.contains(&0xef53), "ext4");
    }
}
