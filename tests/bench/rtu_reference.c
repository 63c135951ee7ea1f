/* The least that a master of an RTU line can do: a blocking client that keeps the silent interval and sends a read of
 * input registers again and again, and nothing else. It shows what the machine itself costs. Arguments: port, baud,
 * registers, exchanges. Prints its seconds of processor time. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/prctl.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

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

int main(int count, char **arguments)
{
    if (count != 5)
        return 2;
    double baud = atof(arguments[2]);
    int registers = atoi(arguments[3]);
    long silence_ns = baud > 19200 ? 1750000 : (long)(3.5 * 11 / baud * 1e9);
    uint8_t request[8] = {1, 4, 0, 0, 0, (uint8_t)registers}, answer[260];
    struct termios raw;
    int line = open(arguments[1], O_RDWR | O_NOCTTY);

    if (line < 0 || tcgetattr(line, &raw) < 0)
        return 1;
    cfmakeraw(&raw);
    tcsetattr(line, TCSANOW, &raw);
    prctl(PR_SET_TIMERSLACK, 1);
    uint16_t crc = crc16(request, 6);
    request[6] = (uint8_t)crc;
    request[7] = (uint8_t)(crc >> 8);
    for (int done = 0; done < atoi(arguments[4]); done++) {
        if (write(line, request, sizeof request) != sizeof request)
            return 1;
        for (int have = 0; have < 5 + 2 * registers;) {
            int got = (int)read(line, answer + have, sizeof answer - (size_t)have);
            if (got <= 0)
                return 1;
            have += got;
        }
        struct timespec silent;
        clock_gettime(CLOCK_MONOTONIC, &silent);
        silent.tv_nsec += silence_ns;
        silent.tv_sec += silent.tv_nsec / 1000000000;
        silent.tv_nsec %= 1000000000;
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &silent, NULL);
    }
    printf("%.6f\n", (double)clock() / CLOCKS_PER_SEC);
    return 0;
}
