/* A Modbus TCP server made of libmodbus alone. Prints its port, serves any number of connections, ends with its
 * standard input. Holding register i holds 1000 + i, input register i holds 2000 + i; coil i is set where 3 divides i,
 * discrete input i where 2 divides i; 3000 of each bit table, 300 of each register table. */
#include <arpa/inet.h>
#include <modbus.h>
#include <stdio.h>
#include <sys/select.h>
#include <unistd.h>

int main(void)
{
    modbus_t *context = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *map = modbus_mapping_new(3000, 3000, 300, 300);
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    struct sockaddr_in address;
    socklen_t size = sizeof address;
    fd_set open, ready;
    int listener = context ? modbus_tcp_listen(context, 128) : -1;

    if (listener < 0 || !map || getsockname(listener, (struct sockaddr *)&address, &size) < 0)
        return 1;
    for (int i = 0; i < 300; i++) {
        map->tab_registers[i] = 1000 + i;
        map->tab_input_registers[i] = 2000 + i;
    }
    for (int i = 0; i < 3000; i++) {
        map->tab_bits[i] = i % 3 == 0;
        map->tab_input_bits[i] = i % 2 == 0;
    }
    printf("%d\n", ntohs(address.sin_port));
    fflush(stdout);

    FD_ZERO(&open);
    FD_SET(STDIN_FILENO, &open);
    FD_SET(listener, &open);
    for (;;) {
        ready = open;
        if (select(FD_SETSIZE, &ready, NULL, NULL, NULL) < 0 || FD_ISSET(STDIN_FILENO, &ready))
            return 0;
        for (int one = STDIN_FILENO + 1; one < FD_SETSIZE; one++) {
            if (!FD_ISSET(one, &ready))
                continue;
            if (one == listener) {
                int accepted = accept(listener, NULL, NULL);
                if (accepted >= 0)
                    FD_SET(accepted, &open);
                continue;
            }
            modbus_set_socket(context, one);
            int length = modbus_receive(context, query);
            if (length > 0)
                modbus_reply(context, query, length, map);
            else if (length < 0) {
                close(one);
                FD_CLR(one, &open);
            }
        }
    }
}
