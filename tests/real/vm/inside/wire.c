/*
 * The host's hands at the simulated header and at the boards' side of the USB sockets, over a virtio-serial port. In C,
 * for it looks a hundred times a second and the processor is emulated.
 *
 * Out, a line each: `p SECONDS LEVELS [LINE:RISES ...]` (the kernel's monotonic time; a hexadecimal mask of the levels of
 * the lines watched; rises that have changed, all of them after a `w`), `s BOARD HEX` (what the service sent), `e WORDS`
 * (what could not be done). In: `w LINES` (watch these; everything anew), `l LINE 0|1` (what hangs on an input),
 * `s BOARD HEX` (a board answers), `u BOARD` and `g BOARD` (unplugged, plugged in).
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <glob.h>
#include <poll.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#define LINES 54
#define TELL_EVERY_S 0.04

static const char *const boards[] = {"ph", "conductivity", "temperature", "node"};
enum { BOARDS = sizeof boards / sizeof *boards };

static char chip[256];
static int port, sockets[BOARDS];
static struct { int line, value, rises; unsigned long counted; int told; } watched[LINES];
static int watching;

static void say(const char *form, ...)
{
    char out[8192];
    va_list words;
    va_start(words, form);
    int length = vsnprintf(out, sizeof out, form, words);
    va_end(words);
    for (int done = 0; done < length;) {
        ssize_t sent = write(port, out + done, length - done);
        if (sent > 0)
            done += sent;
        else if (errno != EINTR && errno != EAGAIN)
            return;
    }
}

static int open_line(int line, const char *what)
{
    char path[512];
    snprintf(path, sizeof path, "%ssim_gpio%d/%s", chip, line, what);
    return open(path, O_RDONLY);
}

static unsigned long number_in(int file)
{
    char text[32];
    ssize_t length = pread(file, text, sizeof text - 1, 0);
    text[length > 0 ? length : 0] = 0;
    return strtoul(text, NULL, 10);
}

static void watch(char *words)
{
    for (int i = 0; i < watching; i++) {
        close(watched[i].value);
        close(watched[i].rises);
    }
    watching = 0;
    for (char *word = strtok(words, " "); word && watching < LINES; word = strtok(NULL, " ")) {
        int line = atoi(word);
        watched[watching].line = line;
        watched[watching].value = open_line(line, "value");
        watched[watching].rises = open_line(line, "rises");
        watched[watching++].told = 0;
    }
}

static void put(const char *path, const char *text)
{
    int file = open(path, O_WRONLY);
    if (file < 0 || write(file, text, strlen(text)) < 0)
        say("e %s: %s: %s\n", path, text, strerror(errno));
    close(file);
}

static int board_of(const char *name)
{
    for (int i = 0; i < BOARDS; i++)
        if (!strcmp(boards[i], name))
            return i;
    return -1;
}

static int opened(int board)
{
    char path[64];
    struct termios mode;
    snprintf(path, sizeof path, "/dev/ttyGS%d", board);
    int file = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (file >= 0 && !tcgetattr(file, &mode)) {
        cfmakeraw(&mode);
        tcsetattr(file, TCSANOW, &mode);
    }
    return file;
}

static void obey(char *line)
{
    char kind = line[0], *rest = line + 1, path[512];
    while (*rest == ' ')
        rest++;
    if (kind == 'w') {
        watch(rest);
        return;
    }
    char *second = strchr(rest, ' ');
    if (second)
        *second++ = 0;
    if (kind == 'l' && second) {
        snprintf(path, sizeof path, "%ssim_gpio%d/pull", chip, atoi(rest));
        put(path, *second == '1' ? "pull-up" : "pull-down");
        return;
    }
    int board = board_of(rest);
    if (board < 0)
        return;
    if (kind == 's' && second) {
        unsigned byte;
        for (; sscanf(second, "%2x", &byte) == 1; second += 2) {
            unsigned char one = byte;
            if (write(sockets[board], &one, 1) < 0)
                return; /* nobody reads it: it is lost, as on a wire */
        }
    } else if (kind == 'u' || kind == 'g') {
        char udc[32];
        snprintf(path, sizeof path, "/sys/kernel/config/usb_gadget/%s/UDC", rest);
        snprintf(udc, sizeof udc, kind == 'g' ? "dummy_udc.%d\n" : "\n", board);
        put(path, udc);
    }
}

static void hear(void)
{
    static char come[65536];
    static size_t length;
    ssize_t some = read(port, come + length, sizeof come - length - 1);
    if (some <= 0) {
        usleep(50000);
        return;
    }
    length += some;
    come[length] = 0;
    char *begin = come;
    for (char *end; (end = strchr(begin, '\n')); begin = end + 1) {
        *end = 0;
        obey(begin);
    }
    length -= begin - come;
    memmove(come, begin, length);
}

static void pass_on(void)
{
    for (int i = 0; i < BOARDS; i++) {
        unsigned char some[256];
        ssize_t length = read(sockets[i], some, sizeof some);
        if (length < 0 && errno == EAGAIN)
            continue;
        if (length > 0) {
            char hex[2 * sizeof some + 1];
            for (ssize_t k = 0; k < length; k++)
                sprintf(hex + 2 * k, "%02x", some[k]);
            say("s %s %s\n", boards[i], hex);
        } else { /* it was unplugged, and is hung up */
            close(sockets[i]);
            sockets[i] = opened(i);
        }
    }
}

static void look(void)
{
    static unsigned long long before = ~0ULL;
    static double told_s;
    char changed[4096] = "";
    size_t length = 0;
    unsigned long long levels = 0;
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    double now_s = now.tv_sec + 1e-9 * now.tv_nsec;
    for (int i = 0; i < watching; i++) { /* rises first: a rise is never newer than the level told with it */
        unsigned long risen = number_in(watched[i].rises);
        if (!watched[i].told || risen != watched[i].counted)
            length += snprintf(changed + length, sizeof changed - length, " %d:%lu", watched[i].line, risen);
        watched[i].counted = risen;
        watched[i].told = 1;
        if (number_in(watched[i].value))
            levels |= 1ULL << watched[i].line;
    }
    if (length || levels != before || now_s - told_s > TELL_EVERY_S) {
        say("p %.4f %llx%s\n", now_s, levels, changed);
        before = levels;
        told_s = now_s;
    }
}

int main(void)
{
    glob_t found;
    if (glob("/sys/devices/platform/gpio-sim.*/gpiochip*/", 0, NULL, &found))
        return 1;
    snprintf(chip, sizeof chip, "%s", found.gl_pathv[0]);
    port = open("/dev/virtio-ports/saltern.wire", O_RDWR);
    if (port < 0)
        return 1;
    for (int i = 0; i < BOARDS; i++)
        sockets[i] = opened(i);
    for (;;) {
        /* at no fixed rate: what is modulated by width is then seen by its share */
        struct pollfd waits = {port, POLLIN, 0};
        if (poll(&waits, 1, 6 + random() % 9) > 0)
            hear();
        pass_on();
        look();
    }
}
