/* Between a program and its disk and clock, for the tests: preloaded, it fails writes and reads,
 * keeps a log of the writes, or shifts the wall clock.
 *
 * SHIM_MATCH    only files whose path holds this text
 * SHIM_CONTROL  file with one word: full, eio, readonly, dead (neither written nor read), or
 *               nothing; and "clock SECONDS"; or noask: who keeps the clock may not be asked, as
 *               under ProtectClock= of systemd
 * SHIM_UPTIME   seconds to add to the time since the machine's start; no time service is running
 * SHIM_LOG      file that takes every change to matching files, as records:
 *               kind (w t s u), length of path, path, offset, length of data, data
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <sys/syscall.h>
#include <sys/timex.h>
#include <time.h>
#include <unistd.h>

static pthread_mutex_t mutex = PTHREAD_MUTEX_INITIALIZER;

static int control(char *text, size_t size) {
    const char *name = getenv("SHIM_CONTROL");
    text[0] = 0;
    if (!name) return 0;
    int fd = syscall(SYS_openat, AT_FDCWD, name, O_RDONLY);
    if (fd < 0) return 0;
    long got = syscall(SYS_read, fd, text, size - 1);
    syscall(SYS_close, fd);
    text[got > 0 ? got : 0] = 0;
    return got > 0;
}

static int path_of(int fd, char *path, size_t size) {
    const char *match = getenv("SHIM_MATCH");
    char link[64];
    if (!match) return 0;
    char digits[24];
    int n = 0, value = fd;
    if (fd < 0) return 0;
    do digits[n++] = '0' + value % 10; while (value /= 10);
    strcpy(link, "/proc/self/fd/");
    char *end = link + strlen(link);
    while (n) *end++ = digits[--n];
    *end = 0;
    long got = syscall(SYS_readlinkat, AT_FDCWD, link, path, size - 1);
    if (got <= 0) return 0;
    path[got] = 0;
    return strstr(path, match) != NULL;
}

static void record(char kind, const char *path, uint64_t offset, const void *data, uint64_t length) {
    const char *name = getenv("SHIM_LOG");
    if (!name) return;
    pthread_mutex_lock(&mutex);
    int fd = syscall(SYS_openat, AT_FDCWD, name, O_WRONLY | O_CREAT | O_APPEND, 0600);
    uint64_t sizes[3] = {strlen(path), offset, length};
    syscall(SYS_write, fd, &kind, 1);
    syscall(SYS_write, fd, sizes, sizeof sizes);
    syscall(SYS_write, fd, path, sizes[0]);
    if (kind == 'w') syscall(SYS_write, fd, data, length);
    syscall(SYS_close, fd);
    pthread_mutex_unlock(&mutex);
}

static int refused(int syncing) {
    char word[64];
    if (!control(word, sizeof word)) return 0;
    if (!syncing && !strncmp(word, "full", 4)) return ENOSPC;
    if (!syncing && !strncmp(word, "readonly", 8)) return EROFS;
    if (syncing && !strncmp(word, "eio", 3)) return EIO;
    if (!strncmp(word, "dead", 4)) return EIO;
    return 0;
}

#define FAIL_IF_REFUSED(fd, syncing)                     \
    char path[4096];                                     \
    int ours = path_of(fd, path, sizeof path);           \
    int error = ours ? refused(syncing) : 0;             \
    if (error) { errno = error; return -1; }

ssize_t pwrite64(int fd, const void *data, size_t length, off64_t offset) {
    FAIL_IF_REFUSED(fd, 0)
    ssize_t done = syscall(SYS_pwrite64, fd, data, length, offset);
    if (ours && done > 0) record('w', path, offset, data, done);
    return done;
}
ssize_t pread64(int fd, void *data, size_t length, off64_t offset) {
    char path[4096], word[64];
    if (control(word, sizeof word) && !strncmp(word, "dead", 4) && path_of(fd, path, sizeof path)) {
        errno = EIO;
        return -1;
    }
    return syscall(SYS_pread64, fd, data, length, offset);
}
ssize_t pread(int fd, void *data, size_t length, off_t offset) {
    return pread64(fd, data, length, offset);
}
ssize_t pwrite(int fd, const void *data, size_t length, off_t offset) {
    return pwrite64(fd, data, length, offset);
}
ssize_t write(int fd, const void *data, size_t length) {
    FAIL_IF_REFUSED(fd, 0)
    off_t offset = ours ? lseek(fd, 0, SEEK_CUR) : 0;
    ssize_t done = syscall(SYS_write, fd, data, length);
    if (ours && done > 0) record('w', path, offset, data, done);
    return done;
}
int ftruncate64(int fd, off64_t length) {
    FAIL_IF_REFUSED(fd, 0)
    int done = syscall(SYS_ftruncate, fd, length);
    if (ours && !done) record('t', path, length, "", 0);
    return done;
}
int ftruncate(int fd, off_t length) { return ftruncate64(fd, length); }
int fsync(int fd) {
    FAIL_IF_REFUSED(fd, 1)
    int done = syscall(SYS_fsync, fd);
    if (ours && !done) record('s', path, 0, "", 0);
    return done;
}
int fdatasync(int fd) {
    FAIL_IF_REFUSED(fd, 1)
    int done = syscall(SYS_fdatasync, fd);
    if (ours && !done) record('s', path, 0, "", 0);
    return done;
}
int unlink(const char *path) {
    const char *match = getenv("SHIM_MATCH");
    int done = syscall(SYS_unlinkat, AT_FDCWD, path, 0);
    if (!done && match && strstr(path, match)) record('u', path, 0, "", 0);
    return done;
}
int clock_gettime(clockid_t clock, struct timespec *now) {
    int done = syscall(SYS_clock_gettime, clock, now);
    char word[64];
    if (!done && clock == CLOCK_REALTIME && control(word, sizeof word) &&
        !strncmp(word, "clock ", 6))
        now->tv_sec += atoll(word + 6);
    if (!done && clock == CLOCK_BOOTTIME && getenv("SHIM_UPTIME"))
        now->tv_sec += atoll(getenv("SHIM_UPTIME"));
    return done;
}
/* The clock is not kept right by anyone (TIME_ERROR), as after it was set by hand. */
int adjtimex(struct timex *asked) {
    char text[64];
    if (control(text, sizeof text) && !strncmp(text, "noask", 5)) {
        errno = EPERM;
        return -1;
    }
    return getenv("SHIM_UPTIME") ? TIME_ERROR : syscall(SYS_adjtimex, asked);
}
