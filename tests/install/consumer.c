/* A program outside the project: loads a rig with the installed library and asks for its forecast. */
#include <tankwright/tankwright.h>

#include <stdio.h>
#include <stdlib.h>

int main(int argc, char **argv) {
    if (argc != 2) {
        fputs("usage: consumer RIG\n", stderr);
        return 2;
    }
    tw_ctx *ctx = tw_ctx_create();
    if (ctx == NULL) {
        return 1;
    }
    tw_rig rig;
    tw_reading reading = {0};
    int status = EXIT_FAILURE;
    const tw_field *power = NULL;
    if (tw_rig_load(ctx, argv[1], NULL, 0, &rig) == TW_OK && tw_study_forecast(ctx, &rig, &reading) == TW_OK) {
        power = tw_reading_field(&reading, "real_power");
    }
    if (power != NULL) {
        char text[TW_QUANTITY_TEXT];
        (void)tw_value_format(power->value, TW_UNIT_WATT, 4, text);
        printf("%s: real power %s\n", reading.title, text);
        status = power->value.value > 0.0 ? EXIT_SUCCESS : EXIT_FAILURE;
    } else {
        char text[1200];
        fprintf(stderr, "consumer: %s\n", tw_error_format(tw_ctx_error(ctx), text, sizeof text));
    }
    tw_reading_dispose(&reading);
    tw_ctx_destroy(ctx);
    return status;
}
