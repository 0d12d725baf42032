/* Private to the room pickup: argument checks, the step functions of a first-order network, the clamp law, the
 * stream of normal deviates. */
#ifndef TW_PICKUP_PRIVATE_H
#define TW_PICKUP_PRIVATE_H

#include "tankwright/pickup.h"

#define TW_PICKUP_ROOM "pickup"

/* TW_BAD_ARGUMENT: the value of that name. */
tw_status tw_pickup__refuse(tw_ctx *ctx, const char *key, double value, const char *wanted) TW_MUST_USE;

/* Refuses a transformer with an impossible value, by the value's name. */
tw_status tw_pickup__check_transformer(tw_ctx *ctx, const tw_transformer *ct) TW_MUST_USE;

/* phi1(a) = (1 - exp(-a))/a and phi2(a) = (1 - phi1(a))/a for a >= 0, to rounding; phi1(0) = 1, phi2(0) = 1/2. */
double tw_pickup__phi1(double a);
double tw_pickup__phi2(double a);

/* The clamp law in units of its own voltage scale: solves x + K sinh x = z. `slope` gets dx/dz, `excess` gets
 * z - x without cancellation. */
double tw_pickup__clamp_bend(double z, double *slope, double *excess);

/* Volts of the law's scale: onset times this. */
#define TW_PICKUP_CLAMP_SCALE 0.1

/* xoshiro256** */
typedef struct tw_pickup_stream {
    uint64_t s[4];
} tw_pickup_stream;

void tw_pickup__stream_start(tw_pickup_stream *stream, uint64_t seed);
uint64_t tw_pickup__stream_next(tw_pickup_stream *stream);
/* A standard normal deviate; the same bits on every machine with IEEE doubles. */
double tw_pickup__stream_normal(tw_pickup_stream *stream);

#endif
