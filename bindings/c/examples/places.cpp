// Where does each recording below a folder lie?    places_cpp FOLDER
#include <iostream>

#include <coeval.hpp>

int main(int argc, char **argv) try {
    const coeval::Alignment alignment = coeval::Shoot().add_path(argc > 1 ? argv[1] : ".").align();
    for (std::size_t i = 0; i < alignment.file_count(); ++i) {
        const coeval_file file = alignment.file(i);
        std::cout << alignment.path(i) << ": ";
        if (file.placed)
            std::cout << "starts at " << file.offset_s << " s, drift " << file.drift_ppm << " ppm\n";
        else
            std::cout << alignment.reason(i) << '\n';
    }
} catch (const coeval::Error &e) {
    std::cerr << e.what() << '\n';
    return 1;
}
