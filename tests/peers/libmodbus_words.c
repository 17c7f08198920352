/* Reads by libmodbus what is asked on standard input, one "TABLE ADDRESS COUNT" a line, and prints the words of each in
 * hexadecimal, one line each. Reads only.
 *
 * Usage: libmodbus_words HOST PORT */

#include <errno.h>
#include <modbus/modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { MOST = 125 };

static int read_words(modbus_t *peer, const char *table, int address, int count, uint16_t *words) {
    uint8_t bits[MOST];
    int found;
    if (strcmp(table, "holding") == 0) return modbus_read_registers(peer, address, count, words);
    if (strcmp(table, "input") == 0) return modbus_read_input_registers(peer, address, count, words);
    if (strcmp(table, "coil") == 0) found = modbus_read_bits(peer, address, count, bits);
    else if (strcmp(table, "discrete") == 0) found = modbus_read_input_bits(peer, address, count, bits);
    else return -1;
    for (int index = 0; index < found; index++) words[index] = bits[index];
    return found;
}

int main(int count_of_arguments, char **arguments) {
    if (count_of_arguments != 3) return 2;
    modbus_t *peer = modbus_new_tcp(arguments[1], atoi(arguments[2]));
    if (peer == NULL || modbus_set_slave(peer, 1) == -1 || modbus_connect(peer) == -1) {
        fprintf(stderr, "no connection: %s\n", modbus_strerror(errno));
        return 1;
    }
    char table[16];
    int address, count, code = 0;
    while (code == 0 && scanf("%15s %d %d", table, &address, &count) == 3) {
        uint16_t words[MOST];
        if (count < 1 || count > MOST || read_words(peer, table, address, count, words) != count) {
            fprintf(stderr, "%s %d, %d words: %s\n", table, address, count, modbus_strerror(errno));
            code = 1;
        } else {
            for (int index = 0; index < count; index++) printf("%04x%c", words[index], index + 1 < count ? ' ' : '\n');
        }
    }
    modbus_close(peer);
    modbus_free(peer);
    return code;
}
