/*
 * A 40-pin header for a machine that has none: what the kernel answers to a process that opens /dev/gpiochip0,
 * /dev/i2c-1 and /proc/cpuinfo, answered in the process itself. Preloaded before the C library, it lets the unmodified
 * GPIO and I2C libraries run; nothing of them is replaced.
 *
 * Sources: linux/gpio.h (version 2 of the character device's interface), linux/i2c-dev.h, linux/i2c.h, and
 * Documentation/userspace-api/gpio of the kernel.
 *
 * Who looks from outside maps the same file (SALTERN_HEADER, made by tests/real/header.py): levels, counts of rises,
 * and a ring of every change with its time. What the outside world does to inputs it writes there too.
 *
 * Kept as the kernel has it: a line belongs to one file descriptor and is busy for everybody else; it is free when the
 * descriptor is closed or the process has died; a bias is what an unconnected line reads. `persist`: a line that is let
 * go keeps what was driven, as the kernel of a Raspberry Pi does; without it the line falls to its pull-down.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <linux/gpio.h>
#include <linux/i2c-dev.h>
#include <linux/i2c.h>
#include <pthread.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/stat.h>
#include <sys/un.h>
#include <time.h>
#include <unistd.h>

#define LINES 54
#define CHANGES (1u << 20)
#define FDS 1024
#define CONNECTED 2u /* in `outside`: something drives the line, and its bit 0 says to what */

struct line {
    _Atomic uint32_t output;  /* 1 while, or after, it is driven */
    _Atomic uint32_t driven;  /* the level driven */
    _Atomic uint32_t outside; /* CONNECTED | level */
    _Atomic uint32_t rises;   /* rising edges driven since the file was made */
    _Atomic uint32_t owner;   /* process that holds it, 0 for none */
    _Atomic uint32_t claims;
    uint64_t flags; /* GPIO_V2_LINE_FLAG_* of the last claim */
};
struct change {
    uint64_t ns;
    uint32_t line;
    uint32_t level;
};
struct header {
    uint32_t persist;
    _Atomic uint32_t changes; /* ever written; the ring holds the last CHANGES */
    struct line lines[64];
    struct change ring[CHANGES];
};

static struct header *board;
static int (*real_open)(const char *, int, ...);
static int (*real_close)(int);
static int (*real_ioctl)(int, unsigned long, ...);
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

enum kind { NOTHING, CHIP, REQUEST, I2C };
static struct {
    enum kind kind;
    uint32_t offsets[GPIO_V2_LINES_MAX], count;
    int events;     /* the writing end of a watched line's pipe, or -1 */
    uint64_t edges; /* which of them are wanted */
    int seen;       /* level last reported */
    uint32_t sequence;
    int address; /* of an I2C chip */
} open_fd[FDS];

__attribute__((constructor)) static void begin(void) {
    real_open = dlsym(RTLD_NEXT, "open");
    real_close = dlsym(RTLD_NEXT, "close");
    real_ioctl = dlsym(RTLD_NEXT, "ioctl");
    const char *path = getenv("SALTERN_HEADER");
    if (!path) return;
    int fd = real_open(path, O_RDWR | O_CLOEXEC);
    if (fd < 0) return;
    void *mapped = mmap(NULL, sizeof(struct header), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    real_close(fd);
    if (mapped != MAP_FAILED) board = mapped;
}

/* Lines --------------------------------------------------------------------------------------------------------- */

static void note(uint32_t line, uint32_t level) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    uint32_t at = atomic_fetch_add(&board->changes, 1) % CHANGES;
    board->ring[at] = (struct change){(uint64_t)t.tv_sec * 1000000000u + t.tv_nsec, line, level};
}

static void drive(uint32_t n, uint32_t level) {
    struct line *line = &board->lines[n];
    uint32_t before = line->output ? line->driven : 0;
    line->driven = level;
    line->output = 1;
    if (before != level) {
        if (level) atomic_fetch_add(&line->rises, 1);
        note(n, level);
    }
}

static void let_go(uint32_t n) {
    struct line *line = &board->lines[n];
    line->owner = 0;
    if (!board->persist && line->output) {
        if (line->driven) note(n, 0);
        line->output = line->driven = 0;
    }
}

static uint32_t level_of(uint32_t n) {
    struct line *line = &board->lines[n];
    if (line->flags & GPIO_V2_LINE_FLAG_OUTPUT) return line->driven;
    if (line->outside & CONNECTED) return line->outside & 1;
    return !!(line->flags & GPIO_V2_LINE_FLAG_BIAS_PULL_UP);
}

/* A process that has ended holds nothing, though its parent may not have asked yet how it ended. */
static int has_ended(uint32_t process) {
    char path[32], state = 'Z';
    snprintf(path, sizeof path, "/proc/%u/stat", process);
    FILE *stat = fopen(path, "r");
    if (!stat) return 1;
    if (fscanf(stat, "%*d (%*[^)]) %c", &state) != 1) state = '?';
    fclose(stat);
    return state == 'Z';
}

static int is_free(uint32_t n) {
    uint32_t owner = board->lines[n].owner;
    return owner == 0 || (owner != (uint32_t)getpid() && has_ended(owner));
}

/* Watched inputs: the kernel's events, from a thread that looks every 200 us. */

static void *watch(void *unused) {
    (void)unused;
    struct timespec pause = {0, 200000};
    while (1) {
        nanosleep(&pause, NULL);
        pthread_mutex_lock(&lock);
        for (int fd = 0; fd < FDS; fd++) {
            if (open_fd[fd].kind != REQUEST || open_fd[fd].events < 0) continue;
            int level = (int)level_of(open_fd[fd].offsets[0]);
            if (level == open_fd[fd].seen) continue;
            open_fd[fd].seen = level;
            if (!(open_fd[fd].edges & (level ? GPIO_V2_LINE_FLAG_EDGE_RISING : GPIO_V2_LINE_FLAG_EDGE_FALLING)))
                continue;
            struct timespec t;
            clock_gettime(CLOCK_MONOTONIC, &t);
            struct gpio_v2_line_event event = {
                .timestamp_ns = (uint64_t)t.tv_sec * 1000000000u + t.tv_nsec,
                .id = level ? GPIO_V2_LINE_EVENT_RISING_EDGE : GPIO_V2_LINE_EVENT_FALLING_EDGE,
                .offset = open_fd[fd].offsets[0],
                .seqno = ++open_fd[fd].sequence,
                .line_seqno = open_fd[fd].sequence,
            };
            if (write(open_fd[fd].events, &event, sizeof event) != sizeof event) continue;
        }
        pthread_mutex_unlock(&lock);
    }
    return NULL;
}

static void start_watching(void) {
    static int watching;
    pthread_t thread;
    if (!watching && pthread_create(&thread, NULL, watch, NULL) == 0) {
        pthread_detach(thread);
        watching = 1;
    }
}

static int request(struct gpio_v2_line_request *asked) {
    if (asked->num_lines < 1 || asked->num_lines > GPIO_V2_LINES_MAX) return errno = EINVAL, -1;
    for (uint32_t i = 0; i < asked->num_lines; i++) {
        if (asked->offsets[i] >= LINES) return errno = EINVAL, -1;
        if (!is_free(asked->offsets[i])) return errno = EBUSY, -1;
    }
    uint64_t flags = asked->config.flags;
    uint64_t edges = flags & (GPIO_V2_LINE_FLAG_EDGE_RISING | GPIO_V2_LINE_FLAG_EDGE_FALLING);
    if (edges && flags & GPIO_V2_LINE_FLAG_OUTPUT) return errno = EINVAL, -1;
    uint64_t values = 0;
    for (uint32_t i = 0; i < asked->config.num_attrs; i++)
        if (asked->config.attrs[i].attr.id == GPIO_V2_LINE_ATTR_ID_OUTPUT_VALUES)
            values = asked->config.attrs[i].attr.values & asked->config.attrs[i].mask;
    int ends[2];
    if (pipe2(ends, O_CLOEXEC | O_NONBLOCK)) return -1;
    int fd = ends[0];
    if (fd >= FDS) return real_close(ends[0]), real_close(ends[1]), errno = EMFILE, -1;
    open_fd[fd].kind = REQUEST;
    open_fd[fd].count = asked->num_lines;
    open_fd[fd].events = ends[1];
    open_fd[fd].edges = edges;
    for (uint32_t i = 0; i < asked->num_lines; i++) {
        uint32_t n = open_fd[fd].offsets[i] = asked->offsets[i];
        struct line *line = &board->lines[n];
        line->owner = (uint32_t)getpid();
        line->flags = flags;
        atomic_fetch_add(&line->claims, 1);
        if (flags & GPIO_V2_LINE_FLAG_OUTPUT)
            drive(n, values >> i & 1);
        else if (flags & GPIO_V2_LINE_FLAG_INPUT) {
            if (line->output && line->driven) note(n, 0);
            line->output = line->driven = 0;
        }
    }
    open_fd[fd].seen = (int)level_of(asked->offsets[0]);
    if (edges) start_watching();
    asked->fd = fd;
    return 0;
}

static int chip_ioctl(unsigned long number, void *data) {
    switch (number) {
    case GPIO_GET_CHIPINFO_IOCTL: {
        struct gpiochip_info *info = data;
        memset(info, 0, sizeof *info);
        strcpy(info->name, "gpiochip0");
        strcpy(info->label, "pinctrl-bcm2835");
        info->lines = LINES;
        return 0;
    }
    case GPIO_V2_GET_LINEINFO_IOCTL: {
        struct gpio_v2_line_info *info = data;
        uint32_t n = info->offset;
        if (n >= LINES) return errno = EINVAL, -1;
        memset(info, 0, sizeof *info);
        info->offset = n;
        snprintf(info->name, sizeof info->name, "GPIO%u", n);
        uint64_t usual = board->lines[n].output ? GPIO_V2_LINE_FLAG_OUTPUT : GPIO_V2_LINE_FLAG_INPUT;
        info->flags = is_free(n) ? usual : board->lines[n].flags | GPIO_V2_LINE_FLAG_USED;
        return 0;
    }
    case GPIO_V2_GET_LINE_IOCTL:
        return request(data);
    default:
        return errno = ENOTTY, -1;
    }
}

static int line_ioctl(int fd, unsigned long number, void *data) {
    struct gpio_v2_line_values *values = data;
    switch (number) {
    case GPIO_V2_LINE_SET_VALUES_IOCTL:
        for (uint32_t i = 0; i < open_fd[fd].count; i++)
            if (values->mask >> i & 1) {
                if (!(board->lines[open_fd[fd].offsets[i]].flags & GPIO_V2_LINE_FLAG_OUTPUT)) return errno = EPERM, -1;
                drive(open_fd[fd].offsets[i], values->bits >> i & 1);
            }
        return 0;
    case GPIO_V2_LINE_GET_VALUES_IOCTL:
        values->bits = 0;
        for (uint32_t i = 0; i < open_fd[fd].count; i++)
            if (values->mask >> i & 1) values->bits |= (uint64_t)level_of(open_fd[fd].offsets[i]) << i;
        return 0;
    case GPIO_V2_LINE_SET_CONFIG_IOCTL: {
        struct gpio_v2_line_config *config = data;
        for (uint32_t i = 0; i < open_fd[fd].count; i++) board->lines[open_fd[fd].offsets[i]].flags = config->flags;
        return 0;
    }
    default:
        return errno = ENOTTY, -1;
    }
}

/* I2C: each transfer is a message to whoever plays the chips, and its answer. */

struct transfer {
    uint8_t address, reads, command, length, data[32];
};

static int i2c_ioctl(int fd, unsigned long number, void *data) {
    switch (number) {
    case I2C_FUNCS:
        *(unsigned long *)data = I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL;
        return 0;
    case I2C_SLAVE:
    case I2C_SLAVE_FORCE:
        open_fd[fd].address = (int)(intptr_t)data;
        return 0;
    case I2C_SMBUS: {
        struct i2c_smbus_ioctl_data *asked = data;
        if (asked->size != I2C_SMBUS_I2C_BLOCK_DATA) return errno = EOPNOTSUPP, -1;
        struct transfer t = {(uint8_t)open_fd[fd].address, asked->read_write, asked->command, asked->data->block[0], {0}};
        if (t.length > 32) return errno = EINVAL, -1;
        if (!t.reads) memcpy(t.data, asked->data->block + 1, t.length);
        if (send(fd, &t, sizeof t, MSG_NOSIGNAL) != sizeof t) return errno = ENODEV, -1;
        struct { int32_t error; uint8_t data[32]; } answer;
        if (recv(fd, &answer, sizeof answer, MSG_WAITALL) != sizeof answer) return errno = ENODEV, -1;
        if (answer.error) return errno = answer.error, -1;
        if (t.reads) memcpy(asked->data->block + 1, answer.data, t.length);
        return 0;
    }
    default:
        return errno = ENOTTY, -1;
    }
}

static int open_i2c(const char *path) {
    const char *folder = getenv("SALTERN_HEADER_I2C");
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (!folder) return errno = ENOENT, -1;
    snprintf(address.sun_path, sizeof address.sun_path, "%s/%s", folder, strrchr(path, '/') + 1);
    int fd = socket(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0);
    if (fd < 0 || fd >= FDS) return -1;
    if (connect(fd, (struct sockaddr *)&address, sizeof address)) return real_close(fd), errno = ENOENT, -1;
    open_fd[fd].kind = I2C;
    return fd;
}

/* What the C library would have answered. */

static int opened(const char *path, int flags, mode_t mode) {
    if (!real_open) begin();
    if (board && !strncmp(path, "/dev/gpiochip", 13)) {
        if (strcmp(path + 13, "0")) return errno = ENOENT, -1;
        int fd = real_open("/dev/null", O_RDWR | O_CLOEXEC);
        if (fd >= 0 && fd < FDS) open_fd[fd].kind = CHIP;
        return fd;
    }
    if (board && !strncmp(path, "/dev/i2c-", 9)) return open_i2c(path);
    const char *cpuinfo = board ? getenv("SALTERN_HEADER_CPUINFO") : NULL;
    if (cpuinfo && !strcmp(path, "/proc/cpuinfo")) return real_open(cpuinfo, flags, mode);
    return real_open(path, flags, mode);
}

int open(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return opened(path, flags, mode);
}

int open64(const char *path, int flags, ...) {
    va_list more;
    va_start(more, flags);
    mode_t mode = flags & (O_CREAT | O_TMPFILE) ? va_arg(more, mode_t) : 0;
    va_end(more);
    return opened(path, flags, mode);
}

int close(int fd) {
    if (!real_close) begin();
    if (board && fd >= 0 && fd < FDS && open_fd[fd].kind != NOTHING) {
        pthread_mutex_lock(&lock);
        if (open_fd[fd].kind == REQUEST) {
            for (uint32_t i = 0; i < open_fd[fd].count; i++) let_go(open_fd[fd].offsets[i]);
            real_close(open_fd[fd].events);
        }
        open_fd[fd].kind = NOTHING;
        pthread_mutex_unlock(&lock);
    }
    return real_close(fd);
}

int ioctl(int fd, unsigned long number, ...) {
    va_list more;
    va_start(more, number);
    void *data = va_arg(more, void *);
    va_end(more);
    if (!real_ioctl) begin();
    if (board && fd >= 0 && fd < FDS) switch (open_fd[fd].kind) {
        case CHIP: {
            pthread_mutex_lock(&lock);
            int answer = chip_ioctl(number, data), error = errno;
            pthread_mutex_unlock(&lock);
            errno = error;
            return answer;
        }
        case REQUEST:
            return line_ioctl(fd, number, data);
        case I2C:
            return i2c_ioctl(fd, number, data);
        case NOTHING:
            break;
        }
    return real_ioctl(fd, number, data);
}
