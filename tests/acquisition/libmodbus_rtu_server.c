/* A Modbus RTU server, unit 1, made of libmodbus alone, on the serial port that is its argument. Says "ready", ends with
 * its standard input. Holding register i holds 1000 + i, input register i holds 2000 + i; coil i is set where 3 divides
 * i, discrete input i where 2 divides i; 3000 of each bit table, 300 of each register table. */
#include <modbus.h>
#include <stdio.h>
#include <sys/select.h>
#include <unistd.h>

int main(int count, char **arguments)
{
    modbus_t *context = count == 2 ? modbus_new_rtu(arguments[1], 19200, 'N', 8, 1) : NULL;
    modbus_mapping_t *map = modbus_mapping_new(3000, 3000, 300, 300);
    uint8_t query[MODBUS_RTU_MAX_ADU_LENGTH];

    if (!context || !map || modbus_set_slave(context, 1) < 0 || modbus_connect(context) < 0)
        return 1;
    for (int i = 0; i < 300; i++) {
        map->tab_registers[i] = 1000 + i;
        map->tab_input_registers[i] = 2000 + i;
    }
    for (int i = 0; i < 3000; i++) {
        map->tab_bits[i] = i % 3 == 0;
        map->tab_input_bits[i] = i % 2 == 0;
    }
    puts("ready");
    fflush(stdout);
    for (;;) {
        int port = modbus_get_socket(context);
        fd_set ready;
        FD_ZERO(&ready);
        FD_SET(STDIN_FILENO, &ready);
        FD_SET(port, &ready);
        if (select(port + 1, &ready, NULL, NULL, NULL) < 0 || FD_ISSET(STDIN_FILENO, &ready))
            return 0;
        int length = modbus_receive(context, query);
        if (length > 0)
            modbus_reply(context, query, length, map);
    }
}
