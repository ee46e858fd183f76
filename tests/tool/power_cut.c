/* What would be on the disk after a power cut: each file as it was at its last fsync or fdatasync, under the name that it has. What was
 * written and not synced is not there; a file that got its name by rename and was never synced is empty.
 *
 * Loaded before the program (LD_PRELOAD). POWER_CUT_DISK names the folder that plays the disk: a file in it has the path that it stands
 * for, with `%` for each slash. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

typedef int of_file(int);
typedef int of_names(const char *, const char *);

static void *real(const char *name) { return dlsym(RTLD_NEXT, name); }

/* Where a path lies on the disk; 0 when there is no disk. */
static int on_disk(const char *path, char *out) {
    const char *disk = getenv("POWER_CUT_DISK");
    char whole[PATH_MAX] = "";
    if (!disk) return 0;
    if (path[0] != '/' && getcwd(whole, sizeof whole)) strcat(whole, "/");
    strncat(whole, path, sizeof whole - strlen(whole) - 1);
    for (char *at = whole; *at; at++) if (*at == '/') *at = '%';
    return snprintf(out, PATH_MAX, "%s/%s", disk, whole) < PATH_MAX;
}

/* A whole copy, there at once: the program may be killed in the middle. */
static void keep(int fd) {
    char link[64], path[PATH_MAX] = "", kept[PATH_MAX], aside[PATH_MAX + 32], part[65536];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    if (readlink(link, path, sizeof path - 1) < 0 || !on_disk(path, kept)) return;
    snprintf(aside, sizeof aside, "%s.%d", kept, (int)getpid());
    int from = open(link, O_RDONLY), to = open(aside, O_WRONLY | O_CREAT | O_TRUNC, 0600);
    if (from < 0 || to < 0) abort();
    for (ssize_t n; (n = read(from, part, sizeof part)) > 0;) if (write(to, part, n) != n) abort();
    close(from);
    close(to);
    if (((of_names *)real("rename"))(aside, kept)) abort();
}

int fsync(int fd) {
    int done = ((of_file *)real("fsync"))(fd);
    if (!done) keep(fd);
    return done;
}

int fdatasync(int fd) {
    int done = ((of_file *)real("fdatasync"))(fd);
    if (!done) keep(fd);
    return done;
}

int rename(const char *old, const char *new) {
    char from[PATH_MAX], to[PATH_MAX];
    int done = ((of_names *)real("rename"))(old, new);
    if (done || !on_disk(old, from) || !on_disk(new, to)) return done;
    if (((of_names *)real("rename"))(from, to)) close(open(to, O_WRONLY | O_CREAT | O_TRUNC, 0600));
    return done;
}
