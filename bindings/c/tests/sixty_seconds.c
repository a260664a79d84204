/* A pair of 60 s through the C library. Its Rust twin is examples/sixty_seconds.rs: both must print the
 * same, to the last bit. */
#include "test.h"

int main(void) {
    /* b's clock is 40 ppm slow: what it counts as 48000 samples are 48001.92 of a's. */
    coeval_track *a = make_track(48000.0, 0, 60 * 48000, 31);
    coeval_track *b = make_track(48001.92, 96000, 50 * 48000, 32);
    coeval_error *error = coeval_error_new();
    coeval_pair *pair = NULL;
    coeval_pair_summary summary;
    uint64_t offset, drift;
    CHECK_OK(coeval_align_pair(a, b, NULL, NULL, NULL, &pair, error), error);
    summary.struct_size = sizeof summary;
    CHECK_OK(coeval_pair_get_summary(pair, &summary, error), error);
    CHECK(summary.placed == 1);
    memcpy(&offset, &summary.offset_s, sizeof offset);
    memcpy(&drift, &summary.drift_ppm, sizeof drift);
    printf("offset_s %016llx drift_ppm %016llx\n", (unsigned long long)offset, (unsigned long long)drift);
    fprintf(stderr, "offset_s %a (%.9f) drift_ppm %a (%.4f)\n", summary.offset_s, summary.offset_s,
            summary.drift_ppm, summary.drift_ppm);
    coeval_pair_free(&pair);
    coeval_track_free(&a);
    coeval_track_free(&b);
    coeval_error_free(&error);
    return 0;
}
