/* The yardstick of the bench: a blocking client, 20 input registers a request, decoded to ten numbers.
 * libmodbus_client PORT REQUESTS prints: seconds of wall clock, seconds of processor. */
#include <errno.h>
#include <math.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define REGISTERS 20

static double seconds(clockid_t clock)
{
    struct timespec now;
    clock_gettime(clock, &now);
    return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

static void fail(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    exit(1);
}

int main(int argc, char **argv)
{
    uint16_t registers[REGISTERS];
    double values[REGISTERS / 2];

    if (argc != 3) {
        fprintf(stderr, "usage: libmodbus_client PORT REQUESTS\n");
        return 2;
    }
    modbus_t *modbus = modbus_new_tcp("127.0.0.1", atoi(argv[1]));
    long requests = atol(argv[2]);
    if (modbus == NULL || modbus_set_slave(modbus, 1) == -1 || modbus_connect(modbus) == -1)
        fail("connect");

    double wall = seconds(CLOCK_MONOTONIC), processor = seconds(CLOCK_PROCESS_CPUTIME_ID);
    for (long n = 0; n < requests; n++) {
        if (modbus_read_input_registers(modbus, 0, REGISTERS, registers) != REGISTERS)
            fail("read");
        for (int i = 0; i < REGISTERS / 2; i++) {
            const uint32_t bits = (uint32_t)registers[2 * i] << 16 | registers[2 * i + 1];
            float value;
            memcpy(&value, &bits, sizeof value);
            values[i] = (double)value;
            if (!isfinite(values[i]) || values[i] != 10.0 + 0.5 * i) {
                fprintf(stderr, "value %d is %g\n", i, values[i]);
                return 1;
            }
        }
    }
    printf("%.6f %.6f\n", seconds(CLOCK_MONOTONIC) - wall, seconds(CLOCK_PROCESS_CPUTIME_ID) - processor);
    modbus_close(modbus);
    modbus_free(modbus);
    return 0;
}
