/* Makes one system call on files below a folder fail: the N-th, with a chosen error. Loaded before the C library. */

#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

#define FDS 65536

static char prefix[PATH_MAX];
static size_t prefix_length;
static atomic_long calls, fail_at;
static atomic_int fail_errno, armed;
static atomic_char watched[FDS];
static char failed_call[64];

/* Count calls below FOLDER from now on and make the AT-th fail with ERROR; AT 0: only count. */
void fault_arm(const char *folder, long at, int error) {
    snprintf(prefix, sizeof prefix, "%s", folder);
    prefix_length = strlen(prefix);
    calls = 0;
    fail_at = at;
    fail_errno = error;
    failed_call[0] = 0;
    armed = 1;
}

long fault_calls(void) { return calls; }
const char *fault_failed(void) { return failed_call; }
void fault_disarm(void) { armed = 0; }

static int below(const char *path) { return armed && path && strncmp(path, prefix, prefix_length) == 0; }
static int is_watched(int fd) { return armed && fd >= 0 && fd < FDS && watched[fd]; }
static void watch(int fd, int on) { if (fd >= 0 && fd < FDS) watched[fd] = on; }

/* Whether this call is the one to fail. */
static int due(const char *name) {
    if (atomic_fetch_add(&calls, 1) + 1 != fail_at) return 0;
    snprintf(failed_call, sizeof failed_call, "%s", name);
    errno = fail_errno;
    return 1;
}

#define REAL(name) \
    static __typeof__(name) *real; \
    if (!real) real = (__typeof__(name) *)dlsym(RTLD_NEXT, #name)

#define OPEN(name) \
    int name(const char *path, int flags, ...) { \
        REAL(name); \
        mode_t mode = 0; \
        if (flags & (O_CREAT | O_TMPFILE)) { va_list more; va_start(more, flags); mode = va_arg(more, mode_t); va_end(more); } \
        if (below(path) && due(#name)) return -1; \
        int fd = real(path, flags, mode); \
        watch(fd, below(path)); \
        return fd; \
    }
OPEN(open)
OPEN(open64)

#define OPENAT(name) \
    int name(int folder, const char *path, int flags, ...) { \
        REAL(name); \
        mode_t mode = 0; \
        if (flags & (O_CREAT | O_TMPFILE)) { va_list more; va_start(more, flags); mode = va_arg(more, mode_t); va_end(more); } \
        if (below(path) && due(#name)) return -1; \
        int fd = real(folder, path, flags, mode); \
        watch(fd, below(path)); \
        return fd; \
    }
OPENAT(openat)
OPENAT(openat64)

#define ON_FD(type, name, parameters, arguments) \
    type name parameters { REAL(name); if (is_watched(fd) && due(#name)) return -1; return real arguments; }
ON_FD(ssize_t, write, (int fd, const void *data, size_t size), (fd, data, size))
ON_FD(ssize_t, pwrite, (int fd, const void *data, size_t size, off_t at), (fd, data, size, at))
ON_FD(ssize_t, pwrite64, (int fd, const void *data, size_t size, off64_t at), (fd, data, size, at))
ON_FD(ssize_t, writev, (int fd, const struct iovec *data, int count), (fd, data, count))
ON_FD(ssize_t, read, (int fd, void *data, size_t size), (fd, data, size))
ON_FD(ssize_t, pread, (int fd, void *data, size_t size, off_t at), (fd, data, size, at))
ON_FD(ssize_t, pread64, (int fd, void *data, size_t size, off64_t at), (fd, data, size, at))
ON_FD(int, fsync, (int fd), (fd))
ON_FD(int, fdatasync, (int fd), (fd))
ON_FD(int, ftruncate, (int fd, off_t size), (fd, size))
ON_FD(int, ftruncate64, (int fd, off64_t size), (fd, size))

#define ON_PATH(name, parameters, arguments) \
    int name parameters { REAL(name); if (below(path) && due(#name)) return -1; return real arguments; }
ON_PATH(rename, (const char *path, const char *to), (path, to))
ON_PATH(unlink, (const char *path), (path))
ON_PATH(rmdir, (const char *path), (path))
ON_PATH(mkdir, (const char *path, mode_t mode), (path, mode))

int close(int fd) {
    REAL(close);
    int mine = is_watched(fd);
    watch(fd, 0);
    int done = real(fd);
    return mine && due("close") ? -1 : done;
}

#define MMAP(name, offset) \
    void *name(void *at, size_t size, int allow, int flags, int fd, offset from) { \
        REAL(name); \
        if (is_watched(fd) && due(#name)) return MAP_FAILED; \
        return real(at, size, allow, flags, fd, from); \
    }
MMAP(mmap, off_t)
MMAP(mmap64, off64_t)
