/* A master and a device over libmodbus, for the tests of interoperability: somebody else's reading of the protocol.
 *
 *   libmodbus_peer client tcp HOST PORT UNIT  COMMAND...     one exchange for each command, one line of output for each
 *   libmodbus_peer client rtu PATH BAUD UNIT  COMMAND...
 *   libmodbus_peer server tcp HOST PORT UNIT                 prints "READY port" and serves until it is killed
 *   libmodbus_peer server rtu PATH BAUD UNIT
 *
 * Commands: coils|discrete|holding|input ADDRESS COUNT; write|writes ADDRESS VALUE...; coil ADDRESS 0|1;
 * mask ADDRESS AND OR; exchange ADDRESS COUNT WRITE_AT VALUE...  (functions 22 and 23).
 *
 * The server's registers: holding i and input i hold (i * 2654435761) >> 16 and the complement of it, bits are bit 7 of
 * the same number. From holding 100 on: pi in the orders ABCD, CDAB, BADC, DCBA of the bytes on the wire. Not laid out
 * by modbus_set_float_abcd() and its like: what these do differs from version to version (stephane/libmodbus, issues
 * 358, 611, 665, 757), which is lesson 13 in the flesh.
 */
#include <errno.h>
#include <modbus/modbus.h>
#include <netinet/in.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define SWAPPED(word) ((uint16_t)((word) << 8 | (word) >> 8))
enum { SPAN = 2048 };

static uint16_t word_at(unsigned i) { return (uint16_t)((i * 2654435761u) >> 16); }

static modbus_t *open_context(char **at) {
    modbus_t *context = strcmp(at[0], "tcp") == 0 ? modbus_new_tcp(at[1], atoi(at[2]))
                                                   : modbus_new_rtu(at[1], atoi(at[2]), 'N', 8, 1);
    if (context == NULL || modbus_set_slave(context, atoi(at[3])) == -1) {
        fprintf(stderr, "cannot begin: %s\n", modbus_strerror(errno));
        exit(2);
    }
    modbus_set_response_timeout(context, 2, 0);
    return context;
}

static int tell(int result, const uint16_t *words, int count) {
    if (result == -1) {
        printf("error %s\n", modbus_strerror(errno));
        return 0;
    }
    printf("ok");
    for (int i = 0; i < count; i++) printf(" %04x", words[i]);
    printf("\n");
    return 0;
}

/* Does one command; returns how many words of it were taken, or -1. */
static int command(modbus_t *context, char **word, int left) {
    uint16_t words[MODBUS_MAX_READ_REGISTERS] = {0}, values[MODBUS_MAX_WRITE_REGISTERS];
    uint8_t bits[SPAN] = {0};
    int at = left > 1 ? atoi(word[1]) : 0, count = left > 2 ? (int)strtol(word[2], NULL, 0) : 0, given = 0;
    if (left < 3) return -1;
    if (strcmp(word[0], "holding") == 0) {
        tell(modbus_read_registers(context, at, count, words), words, count);
    } else if (strcmp(word[0], "input") == 0) {
        tell(modbus_read_input_registers(context, at, count, words), words, count);
    } else if (strcmp(word[0], "coils") == 0 || strcmp(word[0], "discrete") == 0) {
        int result = word[0][0] == 'c' ? modbus_read_bits(context, at, count, bits)
                                       : modbus_read_input_bits(context, at, count, bits);
        for (int i = 0; i < count && i < MODBUS_MAX_READ_REGISTERS; i++) words[i] = bits[i];
        tell(result, words, count);
    } else if (strcmp(word[0], "write") == 0) {
        tell(modbus_write_register(context, at, count), words, 0);
    } else if (strcmp(word[0], "coil") == 0) {
        tell(modbus_write_bit(context, at, count), words, 0);
    } else if (strcmp(word[0], "writes") == 0) {
        for (; given + 2 < left && strcmp(word[given + 2], ";") != 0; given++)
            values[given] = (uint16_t)strtol(word[given + 2], NULL, 0);
        tell(modbus_write_registers(context, at, given, values), words, 0);
        return 2 + given;
    } else if (strcmp(word[0], "mask") == 0 && left > 3) {
        tell(modbus_mask_write_register(context, at, count, (uint16_t)strtol(word[3], NULL, 0)), words, 0);
        return 4;
    } else if (strcmp(word[0], "exchange") == 0 && left > 4) {
        for (; given + 4 < left && strcmp(word[given + 4], ";") != 0; given++)
            values[given] = (uint16_t)strtol(word[given + 4], NULL, 0);
        tell(modbus_write_and_read_registers(context, atoi(word[3]), given, values, at, count, words), words, count);
        return 4 + given;
    } else {
        return -1;
    }
    return 3;
}

static int run_client(modbus_t *context, char **word, int left) {
    if (modbus_connect(context) == -1) {
        fprintf(stderr, "cannot connect: %s\n", modbus_strerror(errno));
        return 1;
    }
    while (left > 0) {
        int taken = strcmp(word[0], ";") == 0 ? 1 : command(context, word, left);
        if (taken < 0) {
            fprintf(stderr, "what is %s?\n", word[0]);
            return 2;
        }
        word += taken;
        left -= taken;
    }
    modbus_close(context);
    return 0;
}

static modbus_mapping_t *make_registers(void) {
    modbus_mapping_t *map = modbus_mapping_new(SPAN, SPAN, SPAN, SPAN);
    const float pi = 3.14159265358979f;
    for (unsigned i = 0; i < SPAN; i++) {
        map->tab_registers[i] = word_at(i);
        map->tab_input_registers[i] = (uint16_t)~word_at(i);
        map->tab_bits[i] = word_at(i) >> 7 & 1;
        map->tab_input_bits[i] = ~word_at(i) >> 7 & 1;
    }
    uint32_t bits;
    memcpy(&bits, &pi, sizeof bits);
    const uint16_t high = bits >> 16, low = bits & 0xFFFF;
    const uint16_t words[] = {high, low, low, high, SWAPPED(high), SWAPPED(low), SWAPPED(low), SWAPPED(high)};
    memcpy(map->tab_registers + 100, words, sizeof words);
    return map;
}

static void serve_one(modbus_t *context, modbus_mapping_t *map) {
    uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
    for (;;) {
        int length = modbus_receive(context, request);
        if (length == -1) return;
        if (length > 0) modbus_reply(context, request, length, map);
    }
}

static int run_server(modbus_t *context, int is_tcp) {
    modbus_mapping_t *map = make_registers();
    if (map == NULL) return 2;
    if (!is_tcp) {
        if (modbus_connect(context) == -1) return 1;
        printf("READY 0\n");
        fflush(stdout);
        for (;;) serve_one(context, map); /* a frame for another unit, or one that is broken, ends nothing */
    }
    struct sockaddr_in own;
    socklen_t size = sizeof own;
    int listening = modbus_tcp_listen(context, 1);
    if (listening == -1 || getsockname(listening, (struct sockaddr *)&own, &size) == -1) return 1;
    printf("READY %d\n", ntohs(own.sin_port));
    fflush(stdout);
    for (;;) {
        if (modbus_tcp_accept(context, &listening) == -1) return 1;
        serve_one(context, map);
        modbus_close(context);
    }
}

int main(int count, char **word) {
    if (count < 6) {
        fprintf(stderr, "see the head of libmodbus_peer.c\n");
        return 2;
    }
    modbus_t *context = open_context(word + 2);
    return strcmp(word[1], "server") == 0 ? run_server(context, strcmp(word[2], "tcp") == 0)
                                          : run_client(context, word + 6, count - 6);
}
