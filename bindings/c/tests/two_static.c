/* Two static libraries of Rust in one program: both panic, catch it, and use threads. */
#include "test.h"

coeval_status coeval_test_panic(coeval_error *error);
unsigned other_digits(unsigned count);

int main(void) {
    coeval_error *error = coeval_error_new();
    coeval_track *a = make_track(48000.0, 0, 10 * 48000, 11), *b = make_track(48000.0, 48000, 8 * 48000, 12);
    coeval_pair *pair = NULL;
    coeval_pair_summary summary;
    CHECK(other_digits(100) == 190);
    CHECK(coeval_test_panic(error) == COEVAL_INTERNAL);
    CHECK(other_digits(10) == 10);
    CHECK_OK(coeval_pair_align(a, b, NULL, NULL, NULL, &pair, error), error);
    summary.struct_size = sizeof summary;
    CHECK_OK(coeval_pair_get_summary(pair, &summary, error), error);
    CHECK(summary.placed == 1);
    coeval_pair_free(&pair);
    coeval_track_free(&a);
    coeval_track_free(&b);
    coeval_error_free(&error);
    return finished("two static libraries");
}
