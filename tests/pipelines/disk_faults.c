/* Let one chosen call that changes the disk fail, or end the process there; loaded before libc by LD_PRELOAD.
   Only calls on files below one folder count. What is loaded beside Python (the database, Parquet) passes here too. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <signal.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static char below[PATH_MAX];
static long seen, chosen;
static int error_given, log_to = -1;

/* chosen: which call, from 1; 0: none. error: its errno; 0: the process is killed before the call. */
void faults_arm(const char *folder, long n, int error, int log) {
    strncpy(below, folder, sizeof below - 1);
    seen = 0; chosen = n; error_given = error; log_to = log;
}

static int fails(const char *call, const char *path) {
    if (!below[0] || strncmp(path, below, strlen(below))) return 0;
    long n = __sync_add_and_fetch(&seen, 1);
    if (log_to >= 0 && (n == chosen || !chosen)) {
        char line[PATH_MAX + 64];
        int size = snprintf(line, sizeof line, "%s %s\n", call, path + strlen(below));
        syscall(SYS_write, log_to, line, size);
    }
    if (n != chosen) return 0;
    if (!error_given) syscall(SYS_kill, getpid(), SIGKILL);
    errno = error_given;
    return 1;
}

static int fd_fails(const char *call, int fd) {
    if (!below[0]) return 0;
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t size = readlink(link, path, sizeof path - 1);
    if (size <= 0) return 0;
    path[size] = 0;
    return fails(call, path);
}

static int at_fails(const char *call, int folder, const char *name) {
    if (!below[0] || !name) return 0;
    if (name[0] == '/') return fails(call, name);
    char link[64], base[PATH_MAX], path[2 * PATH_MAX];
    snprintf(link, sizeof link, folder == AT_FDCWD ? "/proc/self/cwd" : "/proc/self/fd/%d", folder);
    ssize_t size = readlink(link, base, sizeof base - 1);
    if (size <= 0) return 0;
    base[size] = 0;
    snprintf(path, sizeof path, "%s/%s", base, name);
    return fails(call, path);
}

#define REAL(name, type, ...) static type (*real)(__VA_ARGS__); if (!real) real = dlsym(RTLD_NEXT, #name)
#define ON_FD(name, type, call, params, args, ...) \
    type name params { REAL(name, type, __VA_ARGS__); return fd_fails(call, fd) ? -1 : real args; }

ON_FD(write, ssize_t, "write", (int fd, const void *b, size_t n), (fd, b, n), int, const void *, size_t)
ON_FD(pwrite, ssize_t, "write", (int fd, const void *b, size_t n, off_t o), (fd, b, n, o), int, const void *, size_t, off_t)
ON_FD(pwrite64, ssize_t, "write", (int fd, const void *b, size_t n, off64_t o), (fd, b, n, o), int, const void *, size_t, off64_t)
ON_FD(writev, ssize_t, "write", (int fd, const struct iovec *v, int n), (fd, v, n), int, const struct iovec *, int)
ON_FD(sendfile, ssize_t, "write", (int fd, int in, off_t *o, size_t n), (fd, in, o, n), int, int, off_t *, size_t)
ON_FD(sendfile64, ssize_t, "write", (int fd, int in, off64_t *o, size_t n), (fd, in, o, n), int, int, off64_t *, size_t)
ON_FD(fsync, int, "fsync", (int fd), (fd), int)
ON_FD(fdatasync, int, "fsync", (int fd), (fd), int)
ON_FD(ftruncate, int, "truncate", (int fd, off_t n), (fd, n), int, off_t)
ON_FD(ftruncate64, int, "truncate", (int fd, off64_t n), (fd, n), int, off64_t)

ON_FD(fallocate, int, "write", (int fd, int m, off_t o, off_t n), (fd, m, o, n), int, int, off_t, off_t)

ssize_t copy_file_range(int in, off64_t *i, int fd, off64_t *o, size_t n, unsigned flags) {
    REAL(copy_file_range, ssize_t, int, off64_t *, int, off64_t *, size_t, unsigned);
    return fd_fails("write", fd) ? -1 : real(in, i, fd, o, n, flags);
}
int rename(const char *from, const char *to) {
    REAL(rename, int, const char *, const char *);
    return at_fails("rename", AT_FDCWD, to) ? -1 : real(from, to);
}
int renameat(int f, const char *from, int t, const char *to) {
    REAL(renameat, int, int, const char *, int, const char *);
    return at_fails("rename", t, to) ? -1 : real(f, from, t, to);
}
int link(const char *from, const char *to) {
    REAL(link, int, const char *, const char *);
    return at_fails("link", AT_FDCWD, to) ? -1 : real(from, to);
}
int linkat(int f, const char *from, int t, const char *to, int flags) {
    REAL(linkat, int, int, const char *, int, const char *, int);
    return at_fails("link", t, to) ? -1 : real(f, from, t, to, flags);
}
int unlink(const char *path) {
    REAL(unlink, int, const char *);
    return at_fails("unlink", AT_FDCWD, path) ? -1 : real(path);
}
int unlinkat(int f, const char *path, int flags) {
    REAL(unlinkat, int, int, const char *, int);
    return at_fails("unlink", f, path) ? -1 : real(f, path, flags);
}
int remove(const char *path) {
    REAL(remove, int, const char *);
    return at_fails("unlink", AT_FDCWD, path) ? -1 : real(path);
}
int rmdir(const char *path) {
    REAL(rmdir, int, const char *);
    return at_fails("rmdir", AT_FDCWD, path) ? -1 : real(path);
}
int mkdir(const char *path, mode_t mode) {
    REAL(mkdir, int, const char *, mode_t);
    return at_fails("mkdir", AT_FDCWD, path) ? -1 : real(path, mode);
}
int mkdirat(int f, const char *path, mode_t mode) {
    REAL(mkdirat, int, int, const char *, mode_t);
    return at_fails("mkdir", f, path) ? -1 : real(f, path, mode);
}

#define OPENS(name, params, folder, path, args, ...) \
    int name params { \
        mode_t mode = 0; \
        if (flags & (O_CREAT | __O_TMPFILE)) { va_list more; va_start(more, flags); mode = va_arg(more, mode_t); va_end(more); } \
        REAL(name, int, __VA_ARGS__, ...); \
        if ((flags & O_ACCMODE) != O_RDONLY && at_fails("open", folder, path)) return -1; \
        return real args; }
OPENS(open, (const char *path, int flags, ...), AT_FDCWD, path, (path, flags, mode), const char *, int)
OPENS(open64, (const char *path, int flags, ...), AT_FDCWD, path, (path, flags, mode), const char *, int)
OPENS(openat, (int f, const char *path, int flags, ...), f, path, (f, path, flags, mode), int, const char *, int)
OPENS(openat64, (int f, const char *path, int flags, ...), f, path, (f, path, flags, mode), int, const char *, int)
