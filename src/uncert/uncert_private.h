/* What the files of the room uncert share. */
#ifndef TW_UNCERT_PRIVATE_H
#define TW_UNCERT_PRIVATE_H

#include "tankwright/uncert.h"

#define ROOM "uncert"

/* Calls the model and checks that what it gives is finite. */
tw_status tw_uncert__call(tw_ctx *ctx, const tw_uncert_model *model, const double *x, double *y) TW_MUST_USE;
/* Symmetric, unit diagonal, |r| <= 1. */
tw_status tw_uncert__check_correlation(tw_ctx *ctx, size_t n, const double *r) TW_MUST_USE;

#endif
