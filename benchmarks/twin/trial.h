/* One trial as it comes from the file, and what a run of it leaves behind. */
#ifndef TWIN_TRIAL_H
#define TWIN_TRIAL_H
#include "law.h"

enum { LIFT = 0, MISSING, STALL, STOP, REARM }; /* faults */
enum { TRACE_FLOATS = 16, RULES = REQUIREMENTS };

typedef struct {
    num duration_us, control_us, wearer_us, trace_us, arm_us, law, delay_us[2], ticks, rows, most_pulses, most_decisions;
} trial_plan;

typedef struct { num visual, tactile, motor, hold_us; } wearer_delays; /* in wearer ticks, but for the last */
typedef struct { num t_us, kind, place; double value; } fault;

typedef struct { /* everything constant; arrays point into the file's memory */
    const trial_plan *plan;
    const body_params *body;
    const body_state *rested;
    const channel_params *channel;
    const wearer_params *wearer;
    const wearer_state *naive;
    const wearer_delays *delays;
    const wearer_draws *draws;
    const double *handling_N, *recorded_N; /* recorded_N is NULL for a wearer who makes the force */
    const estimator_params *estimator;
    const bias_curve *bias;
    const num *sampled_us, *arrives_us, *mode;
    const double *offset_N, *gain, *unit_noise;
    const num *heard, *arriving; /* numbers of samples that aren't dropped, in order of sampling and of arrival */
    num many_samples, many_heard, many_arriving;
    const limits *limits;
    const memory *power_on;
    const proportional_params *proportional;
    const bang_bang_params *bang_bang;
    const num *target_us;
    const double *target_N;
    num many_targets;
    const fault *faults;
    num many_faults;
} trial;

typedef struct { double value[TRACE_FLOATS]; } trace_floats;
typedef struct { num t_us, estimate_age_us, reasons, trip; } trace_integers;
typedef struct { num t_us, channel, current_uA, width_us, gap_us, second_width_us; } pulse_row;

typedef struct { /* kind 0: a control tick, 1: a stop; `admitted` from the time it expires on */
    num kind, t_us;
    asked asked;
    senses senses;
    num mark, broken, admitted[7], reasons, state, trip, trip_us;
} decision;

typedef struct {
    trace_floats *floats;
    trace_integers *integers;
    pulse_row *pulses;
    decision *decisions;
    num many_pulses, many_decisions, counts[RULES + 1];
} record;

typedef struct { double target_N, force_N, felt[2], drive; } past; /* one row per wearer tick */
typedef struct { double estimate_N, stated_sd_N; } reading;
typedef struct { num t_us; double share; } flying; /* a pulse on its way to the muscle */

enum { FLIGHT = 64 }; /* pulses of one channel under way at once; a power of two */
#endif
