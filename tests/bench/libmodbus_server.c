/* A Modbus TCP server for the bench: 20 input registers that hold ten big-endian float32, any number of connections.
 * Prints its port, then serves until it is ended. */
#include <errno.h>
#include <modbus/modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define MOST_CONNECTIONS 1024
#define REGISTERS 20

static void fail(const char *what)
{
    fprintf(stderr, "%s: %s\n", what, modbus_strerror(errno));
    exit(1);
}

int main(void)
{
    struct pollfd watched[MOST_CONNECTIONS + 1];
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    struct sockaddr_in address;
    socklen_t length = sizeof address;
    const int yes = 1;
    int count = 1;
    modbus_t *modbus = modbus_new_tcp("127.0.0.1", 0);
    modbus_mapping_t *mapping = modbus_mapping_new(0, 0, 0, REGISTERS);

    if (modbus == NULL || mapping == NULL)
        fail("start");
    for (int i = 0; i < REGISTERS / 2; i++) {
        const float value = 10.0f + 0.5f * (float)i;
        uint32_t bits;
        memcpy(&bits, &value, sizeof bits);
        mapping->tab_input_registers[2 * i] = (uint16_t)(bits >> 16);
        mapping->tab_input_registers[2 * i + 1] = (uint16_t)(bits & 0xFFFF);
    }
    int listener = modbus_tcp_listen(modbus, 64);
    if (listener == -1 || getsockname(listener, (struct sockaddr *)&address, &length) == -1)
        fail("listen");
    printf("%d\n", ntohs(address.sin_port));
    fflush(stdout);

    watched[0].fd = listener;
    watched[0].events = POLLIN;
    for (;;) {
        if (poll(watched, (nfds_t)count, -1) == -1 && errno != EINTR)
            fail("poll");
        for (int i = count - 1; i >= 1; i--) {
            if (watched[i].revents == 0)
                continue;
            modbus_set_socket(modbus, watched[i].fd);
            int received = modbus_receive(modbus, query);
            if (received > 0)
                modbus_reply(modbus, query, received, mapping);
            if (received == -1) {
                close(watched[i].fd);
                watched[i] = watched[--count];
            }
        }
        if (watched[0].revents != 0 && count <= MOST_CONNECTIONS) {
            int connection = accept(listener, NULL, NULL);
            if (connection == -1)
                continue;
            setsockopt(connection, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
            watched[count].fd = connection;
            watched[count].events = POLLIN;
            watched[count].revents = 0;
            count++;
        }
    }
}
