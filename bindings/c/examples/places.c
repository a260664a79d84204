/* Where does each recording below a folder lie?    places FOLDER */
#include <stdio.h>

#include <coeval.h>

int main(int argc, char **argv) {
    coeval_error *error = coeval_error_new();
    coeval_shoot *shoot = coeval_shoot_new();
    coeval_alignment *alignment = NULL;
    coeval_status status = coeval_shoot_add_path(shoot, argc > 1 ? argv[1] : ".", error);
    if (status == COEVAL_OK) status = coeval_shoot_align(shoot, NULL, NULL, &alignment, error);
    if (status != COEVAL_OK) fprintf(stderr, "%s\n", coeval_error_text(error));
    for (size_t i = 0; i < coeval_alignment_file_count(alignment); i++) {
        coeval_file file = {.struct_size = sizeof file};
        const char *path = coeval_alignment_file_path(alignment, i);
        if (coeval_alignment_get_file(alignment, i, &file, error) == COEVAL_OK && file.placed)
            printf("%s starts at %.4f s, drift %+.2f ppm\n", path, file.offset_s, file.drift_ppm);
        else
            printf("%s: %s\n", path, coeval_alignment_file_reason(alignment, i));
    }
    coeval_alignment_free(&alignment);
    coeval_shoot_free(&shoot);
    coeval_error_free(&error);
    return status != COEVAL_OK;
}
