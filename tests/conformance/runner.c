/* Holds the C interlock to a file of vectors: runner FILE. Exit code 1: some differ; 2: not the exact shape. */
#include "interlock.h"
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { LIMITS = sizeof(limits) / 8, STATE = sizeof(memory) / 8, COMMAND = 10, ASKED = 7, SENSES = 16, BLOCKS = 65536 };

static char *at;            /* what is left of the line */
static long line_number;
static num *known[BLOCKS];  /* limits by number */
static num start[STATE], count = -1, done, differing;

static void refuse(const char *why) {
    fprintf(stderr, "line %ld: %s: %.40s\n", line_number, why, at);
    exit(2);
}

static void expect(char c) {
    if (*at++ != c) refuse("the shape is wrong");
}

static int more(char end) { /* after a value: 1 when a comma follows, 0 at the end of the list */
    if (*at == ',') return at++, 1;
    return expect(end), 0;
}

static num number(void) {
    int minus = *at == '-';
    num value = 0;
    at += minus;
    if (*at < '0' || *at > '9') refuse("no whole number");
    for (; *at >= '0' && *at <= '9'; at++) {
        num digit = *at - '0';
        if (value < (INT64_MIN + digit) / 10) refuse("beyond 64 bits"); /* kept negative: -2^63 has no positive twin */
        value = value * 10 - digit;
    }
    if (!minus && value == INT64_MIN) refuse("beyond 64 bits");
    return minus ? value : -value;
}

static void array(num *into, int size) {
    expect('[');
    for (int i = 0; i < size; i++) {
        into[i] = number();
        if (more(']') != (i + 1 < size)) refuse("an array of another length");
    }
}

static void text(void) {
    expect('"');
    for (; *at != '"'; at++) {
        if (*at == '\\') at++;
        if (*at == '\0') refuse("a text without an end");
    }
    at++;
}

/* Which of `names` (each with a space behind it) stands next as a key; marks it in `seen`. */
static int key(const char *names, unsigned *seen) {
    char *end = strchr(at + 1, '"');
    int place = 0;
    if (*at != '"' || end == NULL) refuse("no key");
    for (const char *name = names; *name; name = strchr(name, ' ') + 1, place++) {
        size_t size = (size_t)(strchr(name, ' ') - name);
        if (size == (size_t)(end - at - 1) && strncmp(name, at + 1, size) == 0) {
            if (*seen & 1u << place) refuse("a field named twice");
            *seen |= 1u << place;
            at = end + 1;
            expect(':');
            return place;
        }
    }
    refuse("unknown field");
    return -1;
}

static void texts(void) { /* texts, lists and objects of texts: the header's words */
    if (*at == '"') { text(); return; }
    if (*at == '[') { at++; do texts(); while (more(']')); return; }
    expect('{');
    do { text(); expect(':'); texts(); } while (more('}'));
}

static void changes(num *into) {
    expect('[');
    if (*at == ']') { at++; return; }
    do {
        num pair[2];
        array(pair, 2);
        if (pair[0] < 0 || pair[0] >= STATE) refuse("no such place in the memory");
        into[pair[0]] = pair[1];
    } while (more(']'));
}

static void header(void) {
    unsigned seen = 0;
    expect('{');
    do {
        int k = key("count version seed control control_period_us memory_default schema purpose profile fingerprint "
                    "units overflow flags fields ", &seen);
        if (k == 0) count = number();
        else if (k == 1) { if (number() != 1) refuse("another version"); }
        else if (k < 5) number();
        else if (k == 5) array(start, STATE);
        else if (k == 6 && strncmp(at, "\"thenar-interlock-vectors\"", 26) != 0) refuse("another schema");
        else texts();
    } while (more('}'));
    if (seen != (1u << 14) - 1) refuse("a field is missing");
}

static void limits_line(void) {
    unsigned seen = 0;
    num place = -1, *values = malloc(sizeof(limits));
    expect('{');
    do {
        if (key("limits values ", &seen) == 0) place = number();
        else array(values, LIMITS);
    } while (more('}'));
    if (seen != 3 || place < 0 || place >= BLOCKS || known[place]) refuse("limits given twice, or not whole");
    known[place] = values;
}

/* Plays one call; 1 when an answer differs. */
static int call(const limits *l, memory *m, admitted *a) {
    unsigned seen = 0;
    num t = 0, channel = 0, reasons = 0, due = 0, want[COMMAND], out[3], in_a[ASKED], in_s[SENSES];
    asked wish;
    senses sensed;
    pulse left;
    expect('{');
    do {
        int k = key("tick_us halt_us gate_us next_us asked senses admitted pulse reasons channel due_us ", &seen);
        if (k < 4) t = number();
        else if (k == 4) array(in_a, ASKED);
        else if (k == 5) array(in_s, SENSES);
        else if (k == 6) array(want, COMMAND);
        else if (k == 7) array(out, 3);
        else if (k == 8) reasons = number();
        else if (k == 9) channel = number();
        else due = number();
    } while (more('}'));
    if (channel != 0 && channel != 1) refuse("no such channel");
    if (seen == 0x171) {
        memcpy(&wish, in_a, sizeof wish);
        memcpy(&sensed, in_s, sizeof sensed);
        return (interlock_tick(l, m, a, &wish, &sensed, t) != reasons) | (memcmp(a, want, sizeof *a) != 0);
    }
    if (seen == 0x384) return (interlock_gate(l, m, a, channel, t, &left) != reasons) | (memcmp(&left, out, 24) != 0);
    if (seen == 0x608) return interlock_next(l, m, a, channel, t) != due;
    if (seen != 0x2) refuse("a call with fields missing or too many");
    interlock_halt(m, a, t);
    return 0;
}

static void vector(void) {
    unsigned seen = 0;
    num state[STATE], want[STATE], id = -1, last[COMMAND];
    const num *under = NULL;
    int wrong = 0;
    memory m;
    admitted a;
    memcpy(state, start, sizeof state);
    expect('{');
    do {
        int k = key("id comment flags limits memory admitted calls memory_after admitted_after ", &seen);
        if (k == 0) id = number();
        else if (k < 3) texts();
        else if (k == 3) { num n = number(); if (n < 0 || n >= BLOCKS || !(under = known[n])) refuse("no such limits"); }
        else if (k == 4) { changes(state); memcpy(want, state, sizeof want); memcpy(&m, state, sizeof m); }
        else if (k == 5) { array(last, COMMAND); memcpy(&a, last, sizeof a); }
        else if (k == 6) {
            if ((seen & 0x38) != 0x38) refuse("calls before the state that they start from");
            expect('[');
            do wrong |= call((const limits *)under, &m, &a); while (more(']'));
        } else if (k == 7) { if (!(seen & 0x10)) refuse("the state after before the state"); changes(want); }
        else array(last, COMMAND);
    } while (more('}'));
    if (seen != 0x1FF || id != done) refuse("a vector that is not whole, or out of order");
    wrong |= memcmp(&m, want, sizeof m) != 0 || memcmp(&a, last, sizeof a) != 0;
    done++;
    differing += wrong;
    if (wrong && differing <= 5) fprintf(stderr, "vector %lld differs\n", (long long)id);
}

int main(int argc, char **argv) {
    static char line[1 << 20];
    FILE *file = argc == 2 ? fopen(argv[1], "r") : NULL;
    if (file == NULL) return fprintf(stderr, "usage: runner FILE\n"), 2;
    while (fgets(line, sizeof line, file)) {
        at = line;
        if (++line_number == 1) header();
        else if (strncmp(line, "{\"limits\"", 9) == 0) limits_line();
        else vector();
        expect('\n');
    }
    if (done != count) refuse("another number of vectors than the header says");
    return printf("%lld vectors, %lld differ\n", (long long)done, (long long)differing), differing != 0;
}
