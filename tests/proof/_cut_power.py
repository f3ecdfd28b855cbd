"""fw_setenv on storage that loses its power at a chosen moment; files stand in for flash chips.

A library that is preloaded gives /dev/mtd0 and /dev/mtd1 the manners of an MTD (Linux
include/uapi/mtd/mtd-abi.h): an erase sets bits, a write can only clear them. Every erase and every
write counts; at the chosen one so many bytes are still done, and the program ends there and then.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

SIZE = 0x1000
BLOCK = 0x2000
_LIBRARY = r"""
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <mtd/mtd-user.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <unistd.h>

static int done;

static long setting(const char *name) {
    const char *text = getenv(name);
    return text ? strtol(text, 0, 0) : -1;
}

static const char *moved(const char *path, char *buffer) {
    int mtd = !strncmp(path, "/dev/mtd", 8), lock = !strncmp(path, "/var/lock/", 10);
    if (!mtd && !lock) return path;
    snprintf(buffer, PATH_MAX, "%s/%s", getenv("CUT_FOLDER"), mtd ? path + 5 : "lock");
    return buffer;
}

static int kind(int fd) {  /* 2: a chip, 1: a file of the environment, 0: something else */
    char link[64], path[PATH_MAX] = "";
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    if (readlink(link, path, sizeof path - 1) < 0) return 0;
    const char *folder = getenv("CUT_FOLDER");
    size_t length = strlen(folder);
    if (strncmp(path, folder, length) || path[length] != '/') return 0;
    if (!strncmp(path + length, "/mtd", 4)) return 2;
    return !strncmp(path + length, "/env", 4);
}

static ssize_t put(int fd, const void *data, size_t size) {
    static ssize_t (*real)(int, const void *, size_t);
    if (!real) real = dlsym(RTLD_NEXT, "write");
    if (kind(fd) == 2) {  /* a program operation clears bits and sets none */
        unsigned char *merged = malloc(size);
        off_t at = lseek(fd, 0, SEEK_CUR);
        if (pread(fd, merged, size, at) != (ssize_t) size) abort();
        for (size_t i = 0; i < size; i++) merged[i] &= ((const unsigned char *) data)[i];
        ssize_t result = real(fd, merged, size);
        free(merged);
        return result;
    }
    return real(fd, data, size);
}

ssize_t write(int fd, const void *data, size_t size) {
    if (!kind(fd)) return put(fd, data, size);
    if (done++ == setting("CUT_AT")) {
        long part = setting("CUT_BYTES");
        put(fd, data, part < (long) size ? (size_t) part : size);
        _exit(9);
    }
    return put(fd, data, size);
}

int ioctl(int fd, unsigned long request, ...) {
    va_list list;
    va_start(list, request);
    void *argument = va_arg(list, void *);
    va_end(list);
    if (kind(fd) != 2) {
        int (*real)(int, unsigned long, void *) = dlsym(RTLD_NEXT, "ioctl");
        return real(fd, request, argument);
    }
    if (request == MEMGETINFO) {
        struct mtd_info_user *info = argument;
        memset(info, 0, sizeof *info);
        info->type = setting("CUT_NAND") > 0 ? MTD_NANDFLASH : MTD_NORFLASH;
        info->size = info->erasesize = setting("CUT_BLOCK");
        info->writesize = 1;
        return 0;
    }
    if (request == MEMERASE) {
        struct erase_info_user *erase = argument;
        long size = erase->length;
        int last = done++ == setting("CUT_AT");
        if (last && setting("CUT_BYTES") < size) size = setting("CUT_BYTES");
        unsigned char *ones = malloc(size + 1);
        memset(ones, 0xff, size);
        if (pwrite(fd, ones, size, erase->start) != size) abort();
        free(ones);
        if (last) _exit(9);
    }
    return 0;
}

#define OPENS(name) \
    int name(const char *path, int flags, ...) { \
        char buffer[PATH_MAX]; \
        int (*real)(const char *, int, ...) = dlsym(RTLD_NEXT, #name); \
        va_list list; \
        va_start(list, flags); \
        int mode = va_arg(list, int); \
        va_end(list); \
        return real(moved(path, buffer), flags, mode); \
    }
OPENS(open)
OPENS(open64)

#define STATS(name, type) \
    int name(const char *path, struct type *found) { \
        char buffer[PATH_MAX]; \
        int (*real)(const char *, struct type *) = dlsym(RTLD_NEXT, #name); \
        int result = real(moved(path, buffer), found); \
        if (!result && !strncmp(path, "/dev/mtd", 8)) \
            found->st_mode = (found->st_mode & ~S_IFMT) | S_IFCHR; \
        return result; \
    }
STATS(stat, stat)
STATS(stat64, stat64)

char *realpath(const char *path, char *buffer) {
    char *(*real)(const char *, char *) = dlsym(RTLD_NEXT, "realpath");
    if (strncmp(path, "/dev/mtd", 8)) return real(path, buffer);
    return buffer ? strcpy(buffer, path) : strdup(path);
}
"""


def library(folder: Path) -> Path:
    """Compile the library."""
    source, made = folder / "cut.c", folder / "cut.so"
    source.write_text(_LIBRARY)
    command = ["gcc", "-O1", "-shared", "-fPIC", "-o", str(made), str(source), "-ldl"]
    subprocess.run(command, check=True)
    return made


@dataclass(frozen=True, kw_only=True)
class Storage:
    """A stored environment: one copy or two, in files or on chips."""

    folder: Path
    library: Path
    copies: int
    chips: bool
    nand: bool = False

    @property
    def names(self) -> list[str]:
        """The devices of the copies."""
        start = "/dev/mtd" if self.chips else f"{self.folder}/env"
        return [f"{start}{number}" for number in range(self.copies)]

    @property
    def files(self) -> list[Path]:
        """The files that hold them."""
        word = "mtd" if self.chips else "env"
        return [self.folder / f"{word}{number}" for number in range(self.copies)]

    def fill(self, copies: list[bytes]) -> None:
        """Write the copies, each to the start of an erased block."""
        for path, data in zip(self.files, copies, strict=True):
            path.write_bytes(data.ljust(BLOCK, b"\xff") if self.chips else data)

    def run(
        self, *words: str, at: int = -1, bytes_done: int = 0
    ) -> subprocess.CompletedProcess[str]:
        """Run fw_setenv or fw_printenv, cut at an operation or not at all."""
        config = self.folder / "fw_env.config"
        config.write_text("".join(f"{name} 0 {SIZE:#x} {BLOCK:#x}\n" for name in self.names))
        settings = {
            "LD_PRELOAD": str(self.library),
            "CUT_FOLDER": str(self.folder),
            "CUT_AT": str(at),
            "CUT_BYTES": str(bytes_done),
            "CUT_BLOCK": str(BLOCK),
            "CUT_NAND": str(int(self.nand)),
        }
        command = [words[0], "-c", str(config), *words[1:]]
        return subprocess.run(command, capture_output=True, text=True, check=False, env=settings)

    def value(self, name: str) -> str | None:
        """Give what fw_printenv says of a variable."""
        done = self.run("fw_printenv", "-n", name)
        return done.stdout.strip() if done.returncode == 0 else None
