/* A loop over libmodbus, built and run by the benchmark: asks each relay in turn, for ever, and
   after a while tells as JSON what it spent. Addresses as in relays.py. */
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/resource.h>
#include <time.h>

static double now(void) {
    struct timespec at;
    clock_gettime(CLOCK_MONOTONIC, &at);
    return at.tv_sec + at.tv_nsec / 1e9;
}

static double cpu(void) {
    struct rusage used;
    getrusage(RUSAGE_SELF, &used);
    return used.ru_utime.tv_sec + used.ru_stime.tv_sec +
           (used.ru_utime.tv_usec + used.ru_stime.tv_usec) / 1e6;
}

int main(int argc, char **argv) {
    int count = atoi(argv[1]), port = atoi(argv[2]);
    double warm = atof(argv[3]), lasts = atof(argv[4]);
    modbus_t **relays = calloc(count, sizeof *relays);
    uint16_t registers[60];
    char address[32];
    if (argc < 5 || relays == NULL)
        return 1;
    for (int at = 0; at < count; at++) {
        snprintf(address, sizeof address, "127.9.%d.%d", at / 250 + 1, at % 250 + 1);
        relays[at] = modbus_new_tcp(address, port);
        modbus_set_slave(relays[at], 255);
        if (modbus_connect(relays[at]) == -1)
            return 1;
    }
    double began = now(), spent = 0;
    long reads = 0;
    int measuring = 0;
    for (int at = 0; ; at = (at + 1) % count) {
        if (modbus_read_registers(relays[at], 200, 60, registers) != 60)
            return 1;
        reads++;
        if (at)
            continue;
        if (!measuring && now() - began >= warm) {
            measuring = 1, reads = 0, began = now(), spent = cpu();
        } else if (measuring && now() - began >= lasts) {
            printf("{\"reads\": %ld, \"cpu_s\": %f, \"wall_s\": %f}\n", reads, cpu() - spent,
                   now() - began);
            return 0;
        }
    }
}
