/* A serial line with a Modbus RTU instrument at its end, at the speed of a real one: a pseudo terminal on which every
 * character takes its time, in both directions. Arguments: baud, exchanges to measure.
 *
 * Prints the terminal's name; after the exchanges one line: seconds that the frames and silent intervals need, seconds
 * that the line was idle beyond them because no request came, the longest single such idle time, how often a request
 * came before the silent interval was over, by how many seconds this program was late with last characters altogether,
 * and whether it ran with real-time priority.
 *
 * MODBUS over Serial Line Specification and Implementation Guide V1.02, section 2.5.1: eleven bits a character, three
 * and a half characters of silence between frames, fixed at 1.75 ms above 19200 baud. The instrument answers as soon as
 * it has heard that silence, so that all other idle time is the gateway's. Its own lateness is charged to nobody; what
 * the terminal needs to wake either side is charged to the gateway. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <sched.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { REQUEST = 8, BITS = 11, MOST = 125, UNMEASURED = 5 };

static double now(void)
{
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec + (double)time.tv_nsec * 1e-9;
}

static void wait_until(double when)
{
    struct timespec time = {(time_t)when, (long)((when - (double)(time_t)when) * 1e9)};
    while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &time, NULL) != 0)
        ;
}

static uint16_t crc16(const uint8_t *data, int size)
{
    uint16_t crc = 0xFFFF;
    while (size--) {
        crc ^= *data++;
        for (int bit = 0; bit < 8; bit++)
            crc = crc & 1 ? crc >> 1 ^ 0xA001 : crc >> 1;
    }
    return crc;
}

static int fail(const char *why)
{
    fprintf(stderr, "rtu_pacer: %s\n", why);
    return 1;
}

int main(int count, char **arguments)
{
    if (count != 3)
        return fail("needs baud and exchanges");
    double baud = atof(arguments[1]);
    double character = BITS / baud;
    double silence = baud > 19200 ? 0.00175 : 3.5 * character;
    int exchanges = atoi(arguments[2]);
    uint8_t request[REQUEST], answer[5 + 2 * MOST];
    struct termios raw;
    struct sched_param priority = {.sched_priority = 50};

    int line = posix_openpt(O_RDWR | O_NOCTTY);
    if (line < 0 || grantpt(line) < 0 || unlockpt(line) < 0)
        return fail("no pseudo terminal");
    int held = open(ptsname(line), O_RDWR | O_NOCTTY); /* so that the line is there before the gateway opens it */
    if (held < 0 || tcgetattr(held, &raw) < 0)
        return fail("no pseudo terminal");
    cfmakeraw(&raw);
    tcsetattr(held, TCSANOW, &raw);
    prctl(PR_SET_TIMERSLACK, 1);
    int is_real_time = sched_setscheduler(0, SCHED_FIFO, &priority) == 0;
    puts(ptsname(line));
    fflush(stdout);

    double needed = 0, idle = 0, longest = 0, late = 0;
    double end = 0; /* of the last character on the line */
    int early = 0;
    for (int done = 0; done < UNMEASURED + exchanges; done++) {
        int is_measured = done >= UNMEASURED;
        double free_from = end + silence;
        for (int have = 0; have < REQUEST;) {
            struct pollfd ready = {line, POLLIN, 0};
            poll(&ready, 1, -1);
            double came = now();
            int got = (int)read(line, request + have, (size_t)(REQUEST - have));
            if (got <= 0)
                return fail("the line was closed");
            if (is_measured && came > free_from) {
                idle += came - free_from;
                if (came - free_from > longest)
                    longest = came - free_from;
            } else if (is_measured && !have) {
                early++;
            }
            free_from = (came > free_from ? came : free_from) + got * character;
            have += got;
        }
        int registers = request[4] << 8 | request[5];
        if (crc16(request, REQUEST) != 0 || (request[1] != 3 && request[1] != 4) || registers < 1 || registers > MOST)
            return fail("what came is no request to read registers");
        int size = 5 + 2 * registers;
        answer[0] = request[0];
        answer[1] = request[1];
        answer[2] = (uint8_t)(2 * registers);
        for (int i = 0; i < registers; i++) {
            int value = (request[2] << 8 | request[3]) + i;
            answer[3 + 2 * i] = (uint8_t)(value >> 8);
            answer[4 + 2 * i] = (uint8_t)value;
        }
        uint16_t crc = crc16(answer, size - 2);
        answer[size - 2] = (uint8_t)crc;
        answer[size - 1] = (uint8_t)(crc >> 8);

        double begin = free_from + silence;
        for (int sent = 0; sent < size;) { /* every character when its last bit has been on the line */
            wait_until(begin + (sent + 1) * character);
            end = now();
            int due = (int)((end - begin) / character);
            due = due > size ? size : due <= sent ? sent + 1 : due;
            if (write(line, answer + sent, (size_t)(due - sent)) != due - sent)
                return fail("the line does not take the answer");
            sent = due;
        }
        if (is_measured) {
            needed += REQUEST * character + silence + size * character + silence;
            late += end - (begin + size * character);
        }
    }
    printf("%.6f %.6f %.6f %d %.6f %d\n", needed, idle, longest, early, late, is_real_time);
    fflush(stdout);
    pause(); /* until ended: a terminal that is closed takes with it what has not been read yet */
    return 0;
}
