/* A control system on libmodbus: reads one block as libmodbus does by itself (unit 255), tries to write, reads again.
 * registers_reader PORT ADDRESS prints: level as float, level as integer, quality, the same by input registers, what
 * each attempt to write said. */
#include <errno.h>
#include <modbus/modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#define REGISTERS 125

static int fail(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    return 1;
}

static void show(const uint16_t *registers)
{
    uint32_t steps = ((uint32_t)registers[15] << 16) | registers[16];
    printf("%.3f %ld %u\n", modbus_get_float_abcd(registers + 13), (long)(int32_t)steps, registers[17]);
}

int main(int argc, char **argv)
{
    uint16_t registers[REGISTERS], values[2] = {1, 2};
    if (argc != 3)
        return 2;
    modbus_t *modbus = modbus_new_tcp("127.0.0.1", atoi(argv[1]));
    int address = atoi(argv[2]);
    if (modbus == NULL || modbus_connect(modbus) == -1)
        return fail("connect");
    if (modbus_read_registers(modbus, address, REGISTERS, registers) != REGISTERS)
        return fail("holding");
    show(registers);
    if (modbus_read_input_registers(modbus, address, REGISTERS, registers) != REGISTERS)
        return fail("input");
    show(registers);
    printf("%d", modbus_write_register(modbus, address + 13, 0) == -1 && errno == EMBXILFUN);
    printf(" %d", modbus_write_registers(modbus, address + 13, 2, values) == -1 && errno == EMBXILFUN);
    printf(" %d", modbus_write_bit(modbus, address, 1) == -1 && errno == EMBXILFUN);
    printf(" %d", modbus_mask_write_register(modbus, address, 0, 1) == -1 && errno == EMBXILFUN);
    printf(" %d", modbus_write_and_read_registers(modbus, address, 2, values, address, 2, registers) == -1
        && errno == EMBXILFUN);
    printf(" %d\n", modbus_read_registers(modbus, 60000, 1, registers) == -1 && errno == EMBXILADD);
    if (modbus_read_registers(modbus, address, REGISTERS, registers) != REGISTERS)
        return fail("holding, once more");
    show(registers);
    modbus_close(modbus);
    modbus_free(modbus);
    return 0;
}
