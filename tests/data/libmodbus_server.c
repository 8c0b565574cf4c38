/* A Modbus server on Debian's libmodbus, an implementation independent of this project.
 *
 * Usage: libmodbus_server tcp          listens on a free loopback port and prints it
 *        libmodbus_server rtu DEVICE   serves device id 1 on a serial line, 19200 8E1, and prints 0
 *
 * Holding register n holds n * 3, input register n holds n * 5, coil n is n % 3 == 0, discrete input n is
 * n % 2 == 0. Build: cc libmodbus_server.c $(pkg-config --cflags --libs libmodbus)
 */
#include <arpa/inet.h>
#include <modbus.h>
#include <stdio.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

enum { SIZE = 1000 };

static int serve(modbus_t *context, modbus_mapping_t *mapping) {
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    for (;;) {
        int length = modbus_receive(context, query);
        if (length == -1)
            return 0;
        if (length > 0)
            modbus_reply(context, query, length, mapping);
    }
}

int main(int argc, char **argv) {
    modbus_mapping_t *mapping = modbus_mapping_new(SIZE, SIZE, SIZE, SIZE);
    if (argc < 2 || mapping == NULL)
        return 1;
    for (int n = 0; n < SIZE; n++) {
        mapping->tab_registers[n] = (uint16_t)(n * 3);
        mapping->tab_input_registers[n] = (uint16_t)(n * 5);
        mapping->tab_bits[n] = n % 3 == 0;
        mapping->tab_input_bits[n] = n % 2 == 0;
    }
    if (strcmp(argv[1], "tcp") == 0) {
        modbus_t *context = modbus_new_tcp("127.0.0.1", 0);
        int listener = modbus_tcp_listen(context, 4);
        struct sockaddr_in address;
        socklen_t size = sizeof address;
        if (listener == -1 || getsockname(listener, (struct sockaddr *)&address, &size) == -1)
            return 1;
        printf("%d\n", ntohs(address.sin_port));
        fflush(stdout);
        for (;;) {
            if (modbus_tcp_accept(context, &listener) == -1)
                return 1;
            serve(context, mapping);
            modbus_close(context);
        }
    }
    if (argc < 3)
        return 1;
    modbus_t *context = modbus_new_rtu(argv[2], 19200, 'E', 8, 1);
    if (context == NULL || modbus_set_slave(context, 1) == -1 || modbus_connect(context) == -1)
        return 1;
    printf("0\n");
    fflush(stdout);
    for (;;)
        serve(context, mapping);
}
